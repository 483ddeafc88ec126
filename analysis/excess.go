package analysis

import (
	"math"
	"time"
)

// Excess tells by how much a cooling part is larger than it will be at the temperature of
// its surroundings. It comes from repeated sizes at one place, and holds at all places of
// the part. This is because a metal part is as warm inside as at its wall: in still air the
// thermal resistance inside the part is less than a hundredth of the resistance to the air
// (Biot number h L/k below 0.01, geometry).
type Excess struct {
	Size Deviation `json:"size_um"`
	// U is the standard uncertainty of Size. It combines the uncertainties of the time
	// constant and of the amplitude with their correlation.
	U Deviation `json:"u_um"`
	// Tau is the time constant with which Size falls. TauU is the time constant with which
	// U falls. TauU is longer: the slower the cooling may be, the longer Size is in doubt.
	Tau  time.Duration `json:"time_constant_ns"`
	TauU time.Duration `json:"u_time_constant_ns"`
}

// Later returns what is left of the excess after a time, and its standard uncertainty. A
// time below 0 counts as 0, because the fit says nothing about the time before its last
// reading.
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

// Warmer returns how much warmer than its surroundings a part is: excess / (α D). size is
// the diameter D, and alpha is the expansion α in 10⁻⁶ per kelvin. Warmer returns 0 if the
// size or the expansion is not known.
func (x Excess) Warmer(size Length, alpha float64) Temperature {
	if size <= 0 || !(alpha > 0) {
		return 0
	}
	return Temperature(math.Round(float64(Celsius) * float64(x.Size) / (1e-6 * alpha * float64(size))))
}

// Still says how much excess is subtracted now, and how much warmer the part still is.
func (x Excess) Still(after time.Duration, warmer Temperature) Phrase {
	size, u := x.Later(after)
	if warmer > 0 && x.Size > 0 {
		return Say("master.excess.still_warmer", Fine(size), Fine(2*u), Kelvin(math.Round(float64(warmer)*float64(size)/float64(x.Size))))
	}
	return Say("master.excess.still", Fine(size), Fine(2*u))
}
