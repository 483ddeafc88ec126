package simulator

import (
	"math"
	"math/rand/v2"

	"fairbore/analysis"
)

// Hand describes how an operator hones.
type Hand struct {
	// Scatter is the relative standard deviation of the strokes done about the strokes meant. It is
	// also that of the pressure of each spell.
	Scatter float64
	// Rest is the share of the full removal that short strokes give to the rest of the bore, which
	// the stone reaches too. Dwell multiplies the rate where the short strokes work; 0 means 1.
	Rest, Dwell float64
	// Press is the pressure relative to the usual one; 0 means 1.
	Press float64
}

// Work hones the given number of strokes. They go over the whole length, or are short strokes at
// the stretches; several stretches are honed in turn. Half of the short strokes reach a twentieth
// of the bore further, so that they leave no step. Work returns the number of strokes done, at
// least one.
func (h Hand) Work(p *Part, meant int, at []analysis.Stretch, rng *rand.Rand) (done int) {
	if meant <= 0 {
		return 0
	}
	want := float64(meant) * (1 + h.Scatter*rng.NormFloat64())
	done = max(1, int(math.Round(want)))
	// Strokes are whole numbers, but a real one may be long or short. The pressure makes up for the
	// rounding.
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
