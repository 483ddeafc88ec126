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

// One wild value where the gauge is square does not make a pass disagree.
func TestTurningWildAtSquare(t *testing.T) {
	taken := 0
	const tries = 50
	for n := range uint64(tries) {
		r := rock{size: 22.2281, rate: 50, half: 0.8, amplitude: 3, off: 0.2, passes: 3, sd: 0.1}
		s := r.samples(0, rand.New(rand.NewPCG(24, n)))
		s[100+60].Value += 16 * um / 10 // at the second pass, 2 + 1.5·0.8 s
		for _, x := range all(turning(t), s, capture.Taken) {
			taken++
			if d := (x.Value - mm(t, "22.2281")).Abs(); d > um/2 {
				t.Errorf("%d: took %s ± %d", n, x.Value, x.U)
			}
		}
	}
	if taken < tries*9/10 {
		t.Errorf("%d of %d taken", taken, tries)
	}
}

// What lies far above the size that the gauge showed on its way is the edge of the bore.
func TestTurningOnTheEdge(t *testing.T) {
	for _, x := range []struct {
		lower analysis.Length // than the rock
		want  int
	}{{8 * um, 1}, {25 * um, 0}} {
		s := good.samples(0, rand.New(rand.NewPCG(25, 1)))
		for i := 22; i < 32; i++ { // on the way in
			s[i].Value = mm(t, "22.2281") - x.lower + 2*um + analysis.Length(i%2)*um
		}
		if got := all(turning(t), s, capture.Taken); len(got) != x.want {
			t.Errorf("way in lower by %d: took %+v, want %d", x.lower, got, x.want)
		}
	}
}

// A place that is smaller by little more than half a step of the display is another one.
func TestTurningMovesByAStep(t *testing.T) {
	taken := 0
	const tries = 20
	for n := range uint64(tries) {
		rng := rand.New(rand.NewPCG(26, n))
		a, b := good, good
		a.sd, b.sd, b.size = 0.05, 0.05, a.size-0.0025
		s := a.samples(0, rng)
		s = s[:len(s)-int(good.rate)]                            // not out into the air
		for _, x := range b.samples(0, rng)[2*int(good.rate):] { // no way in either
			x.At = s[len(s)-1].At + time.Second/time.Duration(good.rate)
			s = append(s, x)
		}
		c := newCapture(t, capture.Options{Mode: capture.Turning, Nominal: mm(t, "22.23"), Repeatability: 500, Resolution: analysis.Deviation(2 * um)})
		taken += len(all(c, coarse(s), capture.Taken))
	}
	if taken < 2*tries-2 {
		t.Errorf("%d readings of %d places", taken, 2*tries)
	}
}

// coarsely returns what is taken of a rock in a bore of 22.23 mm with a display of 2 µm.
func coarsely(t *testing.T, r rock, rng *rand.Rand) []capture.Result {
	o := capture.Options{Mode: capture.Turning, Nominal: mm(t, "22.23"), Repeatability: analysis.Deviation(r.sd * float64(um)), Resolution: analysis.Deviation(2 * um)}
	return all(newCapture(t, o), coarse(r.samples(0, rng)), capture.Taken)
}

// On a coarse display the steps limit what is taken, by the chance that they leave to be off by more
// than 1 µm, not what least squares make of them: within a step U may be large, and the size right.
func TestTurningCoarseAndQuick(t *testing.T) {
	taken := 0
	const tries = 100
	for n := range uint64(tries) {
		r := rock{size: 22.2281 + 0.002*float64(n)/tries, rate: 20, half: 0.5, amplitude: 3, off: 0.2, passes: 3, sd: 0.05}
		for _, x := range coarsely(t, r, rand.New(rand.NewPCG(27, n))) {
			taken++
			if d := x.Value.Micrometres() - 1000*r.size; d > 1 || d < -1 || x.U > 5000 {
				t.Errorf("%d: off by %.2f µm, U %d", n, d, x.U)
			}
		}
	}
	if taken < 20 {
		t.Errorf("%d of %d taken", taken, tries)
	}
}

// A quick rock with a gauge that scatters leaves a size on a coarse display that is off by more than 1 µm
// too often: it is refused then. Were all taken, 8 of 304 would be wrong.
func TestTurningCoarseAndUnsure(t *testing.T) {
	taken, wrong := 0, 0
	const tries = 400
	for n := range uint64(tries) {
		r := rock{size: 22.2281 + 0.002*float64(n)/tries, rate: 20, half: 0.35, amplitude: 3, off: 0.2, passes: 3, sd: 0.3}
		for _, x := range coarsely(t, r, rand.New(rand.NewPCG(29, n))) {
			taken++
			if d := x.Value.Micrometres() - 1000*r.size; d > 1 || d < -1 {
				wrong++
			}
		}
	}
	if taken < tries/5 || wrong > 2 {
		t.Errorf("%d of %d taken, %d wrong", taken, tries, wrong)
	}
}

// A gauge that is parked tilted is not rocked, however much it scatters and however small the bore: nothing is taken, and it is not
// said to have turned back.
func TestTurningNoiseIsNoRock(t *testing.T) {
	const rate = 25
	for _, sd := range []float64{0.15, 0.3, 0.6} {
		for n := range uint64(10) {
			rng := rand.New(rand.NewPCG(75, n))
			nominal := mm(t, []string{"6", "10", "15", "25"}[n%4])
			c := newCapture(t, capture.Options{Mode: capture.Turning, Nominal: nominal, Tip: analysis.Millimetre,
				Repeatability: analysis.Deviation(0.75 * sd * float64(um))}) // the data sheet is right to a quarter
			for i := range 60 * rate {
				v := nominal + 8*um + analysis.Length(sd*rng.NormFloat64()*float64(um))
				for _, r := range c.Feed(capture.Sample{At: time.Duration(i) * time.Second / rate, Value: v}) {
					if r.Kind == capture.Taken {
						t.Errorf("%s, %g µm: took %s ± %d after %s", nominal, sd, r.Value, r.U, r.At)
					}
				}
				if p := c.Progress(); p.Hint == capture.OneSide {
					t.Errorf("%s, %g µm: said that it turned back after %d samples", nominal, sd, i)
					break
				}
			}
		}
	}
}
