package capture_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/drivers/simulator"
)

// along joins rocks in one bore: between two the gauge is drawn along it for so long, s.
func along(drawn float64, rng *rand.Rand, rocks ...rock) (out []capture.Sample) {
	for n, r := range rocks {
		air := int(r.rate)
		s := r.samples(0, rng)
		if n > 0 { // the way in takes a second
			s = s[2*air-int(math.Round(drawn*r.rate)):]
		}
		if n < len(rocks)-1 {
			s = s[:len(s)-air]
		}
		for _, x := range s {
			x.At = time.Duration(len(out)) * time.Duration(float64(time.Second)/r.rate)
			out = append(out, x)
		}
	}
	return out
}

// bigger is the rock in a place that is larger by so many micrometres.
func (r rock) bigger(um float64) rock {
	r.size += um / 1000
	return r
}

// isOf reports whether a reading is of the size of a rock, within so many micrometres.
func (r rock) isOf(x capture.Result, within float64) bool {
	return math.Abs(x.Value.Micrometres()-r.size*1000) <= within
}

// The next place is another one though its size is so near that its passes come to that of
// the one before: they all turn beside it, which they can't here.
func TestTurningNextPlaceIsAlike(t *testing.T) {
	a := good
	a.rate, a.sd = 50, 0.05
	b := a.bigger(1.3)
	for n := range uint64(20) {
		got := all(turning(t), along(0.1, rand.New(rand.NewPCG(41, n)), a, b), capture.Taken, capture.Refused, capture.Moved)
		if len(got) != 3 || got[1].Kind != capture.Moved || !a.isOf(got[0], 0.3) || !b.isOf(got[2], 0.3) {
			t.Errorf("%d: %+v, want %.1f and %.1f µm", n, got, a.size*1000, b.size*1000)
		}
	}
}

// What was unsure of a place is taken, though the next one is smaller or larger, and nothing of
// two places is mixed.
func TestTurningUnsureWhereNextDiffers(t *testing.T) {
	for _, um := range []float64{-7, 12} {
		taken, at := 0, 0
		for n := range uint64(50) {
			next := quick.bigger(um)
			got := all(unsure(t), along(0.45, rand.New(rand.NewPCG(42, n)), quick, next), capture.Taken)
			for _, r := range got {
				if within := 4 * analysis.Length(r.U).Micrometres(); !quick.isOf(r, within) && !next.isOf(r, within) {
					t.Errorf("%d: %s is of neither place", n, r.Value)
				}
			}
			taken += min(1, len(got))
			at = max(at, len(got))
		}
		if taken < 25 || at > 2 {
			t.Errorf("places that differ by %g µm: taken in %d of 50, at most %d readings", um, taken, at)
		}
	}
}

// A smaller place that was rocked in too briefly does not spoil the next one for long: when
// five passes there agree the latest three of them are taken.
func TestTurningAfterASmallerPlace(t *testing.T) {
	taken := 0
	for n := range uint64(20) {
		before := good.bigger(-6)
		before.passes = 2
		got := all(turning(t), along(0, rand.New(rand.NewPCG(43, n)), before, good), capture.Taken)
		if len(got) == 1 && good.isOf(got[0], 0.4) {
			taken++
		} else if len(got) > 0 {
			t.Errorf("%d: %+v", n, got)
		}
	}
	if taken < 18 {
		t.Errorf("%d of 20 taken", taken)
	}
}

// A hand that stops at the tone of the reading, and then rocks on in the same place, is not
// read again.
func TestTurningStopsToListen(t *testing.T) {
	before := good
	before.passes = 3
	for n := range uint64(20) {
		if got := all(turning(t), along(0.9, rand.New(rand.NewPCG(44, n)), before, good), capture.Taken); len(got) != 1 || !good.isOf(got[0], 0.4) {
			t.Errorf("%d: %+v", n, got)
		}
	}
}

// A rock that goes on after its reading, so quickly that no sample of a pass need come
// near the size, is no other place: it is seldom read twice.
func TestRockedOnIsNotReadTwice(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 1))
	taken, again := 0, 0
	for range 60 {
		p := simulator.Draw(simulator.TwoPoint, simulator.Good, 10, rng)
		p.Turns, p.Half, p.Swing, p.Off, p.Size, p.Rest = 9, 0.9, 3.5*math.Pi/180, 0, 50*analysis.Millimetre, 0
		p.Ragged, p.Uneven, p.Stream.Repeats = 0.05, 0.05, 0
		p.Gauge.Step, p.Gauge.Noise, p.Gauge.Free = analysis.Micrometre/10, 0.1, 700*analysis.Micrometre
		o := options(p, rng)
		points, _ := simulator.Run(p, rng)
		n := len(readings(o, points))
		taken += min(n, 1)
		again += max(0, n-1)
	}
	if again > 6 {
		t.Errorf("%d of 60 places were read twice, want no more than a tenth", again)
	}
	if taken < 30 {
		t.Errorf("%d of 60 rocks were taken, too few to tell", taken)
	}
}
