package capture

import (
	"math"
	"math/rand/v2"
	"testing"

	"fairbore/analysis"
)

// A rock that ends at rest near square has the size of its passes, on a display as coarse as that
// too: the rest is none of them. Without [turning.rested] ten sizes were off by more than 1 µm or four U.
func TestRestIsNoPass(t *testing.T) {
	const tries = 300
	taken, far := 0, 0
	for n := range uint64(tries) {
		rng := rand.New(rand.NewPCG(33, n))
		c := coarseTurning(t, Options{Nominal: 30 * analysis.Millimetre, Repeatability: 1500, Resolution: 25400})
		play(c, (rng.Float64()-0.5)*2.54, 0.15, restingRock(rng), rng, func(r Result, e float64) {
			taken++
			if u := analysis.Length(r.U).Micrometres(); math.Abs(e) > min(1, 4*u) {
				far++
				t.Logf("%d: off by %.2f µm, U %.2f, %d turns", n, e, u, r.Turns)
			}
		})
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
