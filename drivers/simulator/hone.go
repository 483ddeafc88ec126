package simulator

import (
	"math"
	"math/rand/v2"

	"fairbore/analysis"
)

// Hand is how an operator hones by hand.
type Hand struct {
	// Scatter is the relative standard deviation of the strokes done against
	// those meant, and of how hard each spell is pressed.
	Scatter float64
	// Rest is the part of the full removal that short strokes bring to the rest
	// of the bore, where the stone reaches too; Dwell multiplies the rate where
	// they work, 0: 1.
	Rest, Dwell float64
	// Press is the pressure against the usual one; 0: 1.
	Press float64
}

// Work hones a number of strokes meant; over the whole length, or short ones at
// the stretches, by turns if there are several. Half of the short strokes reach
// a twentieth of the bore further, so that they leave no step. It returns the
// strokes done, one at least.
func (h Hand) Work(p *Part, meant int, at []analysis.Stretch, rng *rand.Rand) (done int) {
	if meant <= 0 {
		return 0
	}
	want := float64(meant) * (1 + h.Scatter*rng.NormFloat64())
	done = max(1, int(math.Round(want)))
	// Strokes are whole, but one may be long or short: what rounding lost is pressed.
	press := max(0.2, want/float64(done))
	if h.Press > 0 {
		press *= h.Press
	}
	if len(at) == 0 {
		p.Hone(done, Spell{Pressure: press}, rng)
		return done
	}
	if h.Dwell > 0 {
		press *= h.Dwell
	}
	left := done
	for i, r := range at {
		n := left / (len(at) - i)
		left -= n
		wide := analysis.Stretch{From: max(0, r.From-p.Length/20), To: min(p.Length, r.To+p.Length/20)}
		p.Hone(n-n/2, Spell{r, h.Rest, press}, rng)
		p.Hone(n/2, Spell{wide, h.Rest, press}, rng)
	}
	return done
}
