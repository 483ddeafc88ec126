package analysis

import (
	"math"
	"time"
)

// Excess is by how much a cooling part is larger than it will be when it has the
// temperature of its surroundings, as repeated sizes at one place tell. A part of metal
// is as warm inside as at its wall: in still air the resistance within it is less than a
// hundredth of that to the air (Biot number h L/k below 0.01, geometry), so what is found
// at one place holds at all.
type Excess struct {
	Size Deviation `json:"size_um"`
	// U is the standard uncertainty of Size: of the time constant and the amplitude, with
	// what they have in common.
	U Deviation `json:"u_um"`
	// Tau is how fast Size falls, TauU how fast U does, which is slower: the slower the
	// cooling may be, the longer it is in doubt.
	Tau  time.Duration `json:"time_constant_ns"`
	TauU time.Duration `json:"u_time_constant_ns"`
}

// Later returns what is left of it after a time, and the standard uncertainty of that. A
// time below 0 counts as 0: nothing is said of what was before the last reading of the fit.
// Source: Newton's law of cooling.
func (x Excess) Later(after time.Duration) (size, u Deviation) {
	fall := func(d Deviation, tau time.Duration) float64 {
		if tau <= 0 {
			return 0
		}
		return float64(d) * math.Exp(-max(after, 0).Seconds()/tau.Seconds())
	}
	return Deviation(math.Round(fall(x.Size, x.Tau))), Deviation(math.Ceil(fall(x.U, x.TauU)))
}

// Warmer returns how much warmer than its surroundings a part of a diameter is, by its
// excess and its expansion in 10⁻⁶ per kelvin: excess / (α D). 0 without either.
func (x Excess) Warmer(size Length, alpha float64) Temperature {
	if size <= 0 || !(alpha > 0) {
		return 0
	}
	return Temperature(math.Round(float64(Celsius) * float64(x.Size) / (1e-6 * alpha * float64(size))))
}

// Still says what of it is taken off now, and how warm that is.
func (x Excess) Still(after time.Duration, warmer Temperature) Phrase {
	size, u := x.Later(after)
	if warmer > 0 && x.Size > 0 {
		return Say("master.excess.still_warmer", Fine(size), Fine(2*u), Kelvin(math.Round(float64(warmer)*float64(size)/float64(x.Size))))
	}
	return Say("master.excess.still", Fine(size), Fine(2*u))
}
