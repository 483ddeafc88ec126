package capture_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
)

// unsure is a gauge that scatters so much that a quick rock of three passes
// leaves the size less sure than is taken at once.
func unsure(t testing.TB) capture.Capture {
	return newCapture(t, capture.Options{Mode: capture.Turning, Nominal: mm(t, "22.23"), Repeatability: 7000})
}

var quick = rock{size: 22.2281, rate: 20, half: 0.5, amplitude: 3, off: 0.2, passes: 3, sd: 0.7}

// What leaves some doubt is taken when the gauge leaves, with the U that it has.
func TestTurningTakenOnLeaving(t *testing.T) {
	late := 0
	for n := range uint64(50) {
		got := all(unsure(t), quick.samples(0, rand.New(rand.NewPCG(20, n))), capture.Taken, capture.Left)
		if len(got) != 2 {
			continue
		}
		taken, left := got[0], got[1]
		if d := (taken.Value - mm(t, "22.2281")).Abs(); d > analysis.Length(4*taken.U) {
			t.Errorf("%d: %s ± %d, off by %d", n, taken.Value, taken.U, d)
		}
		if taken.At != left.At {
			if taken.U > 2500 {
				t.Errorf("%d: taken at once with U %d", n, taken.U)
			}
			continue
		}
		late++
		// The rock goes from 2 s to 3.5 s; the reading is of that time, not of the way out.
		if taken.U > 3640 || taken.Since < 2*time.Second || taken.Until > 3700*time.Millisecond {
			t.Errorf("%d: %+v", n, taken)
		}
	}
	if late < 25 {
		t.Errorf("%d of 50 taken on leaving", late)
	}
}

// A value that is sent again while the gauge is rocked quickly is no sample.
func TestTurningSentAgain(t *testing.T) {
	taken := 0
	for n := range uint64(100) {
		rng := rand.New(rand.NewPCG(22, n))
		r := rock{size: 22.2281, rate: 20, half: 0.6, amplitude: 4, off: 0.3, passes: 3, sd: 0.1}
		s := r.samples(0, rng)
		for range 3 {
			i := 40 + 1 + rng.IntN(34)
			s[i].Value = s[i-1].Value
		}
		for _, x := range all(turning(t), s, capture.Taken) {
			taken++
			if d := (x.Value - mm(t, "22.2281")).Abs(); d > um {
				t.Errorf("%d: took %s ± %d", n, x.Value, x.U)
			}
		}
	}
	if taken < 90 {
		t.Errorf("%d of 100 taken", taken)
	}
}

// The gauge goes below the size of the last passes on its way to them: they are not
// at square. But not on the way in, where the bore may be smaller.
func TestTurningWayIn(t *testing.T) {
	taken := 0
	for n := range uint64(20) {
		s := good.samples(0, rand.New(rand.NewPCG(23, n)))
		for i := 24; i < 34; i++ { // still on the way to the place
			s[i].Value = mm(t, "22.2231") + analysis.Length(i%2)*um
		}
		for _, r := range all(turning(t), s, capture.Taken) {
			taken++
			if d := (r.Value - mm(t, "22.2281")).Abs(); d > um/3 {
				t.Errorf("%d: took %s ± %d", n, r.Value, r.U)
			}
		}
	}
	if taken < 18 {
		t.Errorf("%d of 20 taken", taken)
	}
}
