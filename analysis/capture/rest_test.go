package capture

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
)

// A rock that ends at rest near square has the size of its passes, on a display as coarse as that
// too: the rest is none of them. Without [turning.rested] ten sizes were off by more than 1 µm or four U.
func TestRestIsNoPass(t *testing.T) {
	const step, s, tries = 2.54, 0.15, 300
	taken, far := 0, 0
	for n := range uint64(tries) {
		rng := rand.New(rand.NewPCG(33, n))
		o := Options{Mode: Turning, Nominal: 30 * analysis.Millimetre, Tip: 2 * analysis.Millimetre, Repeatability: 1500, Resolution: 25400}
		if err := o.check(); err != nil {
			t.Fatal(err)
		}
		o.fill()
		c := newTurning(o)
		off, tilt := (rng.Float64()-0.5)*step, restingRock(rng)
		for i := range 400 {
			at := float64(i) / 20
			v := off + 600
			if tilt, ok := tilt(at); ok {
				v = off + 26e3*(1/math.Cos(tilt)-1) + s*rng.NormFloat64()
			}
			shown := analysis.Length(math.Round(v/step) * step * float64(analysis.Micrometre))
			for _, r := range c.Feed(Sample{At: time.Duration(at * 1e9), Value: o.Nominal + shown}) {
				if r.Kind != Taken {
					continue
				}
				taken++
				if e, u := (r.Value-o.Nominal).Micrometres()-off, analysis.Length(r.U).Micrometres(); math.Abs(e) > min(1, 4*u) {
					far++
					t.Logf("%d: off by %.2f µm, U %.2f, %d turns", n, e, u, r.Turns)
				}
			}
		}
	}
	if taken < tries*85/100 || far > 1 {
		t.Errorf("%d of %d taken, %d of them far off", taken, tries, far)
	}
}

// restingRock draws a rock of three or four passes that ends at rest within a degree of square for half a
// second: its tilt by the time, where it is in the bore.
func restingRock(rng *rand.Rand) func(at float64) (tilt float64, in bool) {
	half, swing, passes := 0.4+0.6*rng.Float64(), (2.5+2*rng.Float64())*degree, float64(3+rng.IntN(2))
	rest := (2*rng.Float64() - 1) * degree
	const begins, going, stays = 1, 0.45, 0.5
	ends, last := begins+passes*half, swing*math.Cos(math.Pi*passes)
	return func(at float64) (float64, bool) {
		switch {
		case at < begins:
			return swing, at > 0.5
		case at < ends:
			return swing * math.Cos(math.Pi*(at-begins)/half), true
		case at < ends+going:
			return rest + (last-rest)*(1+math.Cos(math.Pi*(at-ends)/going))/2, true
		}
		return rest, at < ends+going+stays
	}
}
