package master

import (
	"errors"
	"fmt"
	"math"

	"fairbore/analysis"
)

// Thermal compares a part with a ring at known temperatures.
type Thermal struct {
	Ring      analysis.Length      `json:"ring_mm"`               // certified size at 20 °C
	RingAlpha float64              `json:"ring_alpha_1e_6_per_k"` // expansion coefficient of the ring
	PartAlpha float64              `json:"part_alpha_1e_6_per_k"` // expansion coefficient of the part
	RingAt    analysis.Temperature `json:"ring_at_cel"`           // when the zero was set
	PartAt    analysis.Temperature `json:"part_at_cel"`           // when the part was gauged
}

// Correction returns the amount to add to size to get the part's size at 20 °C. size was
// gauged against the ring. The formula is the exact form, not the linear one:
//
//	size20 = (ring20 (1 + αr (Tr − 20)) + size − ring20) / (1 + αp (Tp − 20))
//
// It is the model of JCGM 100:2008, H.1, formula H.2. Correction fails at temperatures at
// which no part is gauged (below −40 °C or above 150 °C), and for sizes that are not above 0.
func (c Thermal) Correction(size analysis.Length) (analysis.Deviation, error) {
	const lowest, highest = -40 * analysis.Celsius, 150 * analysis.Celsius
	switch {
	case size <= 0 || c.Ring <= 0 || max(size, c.Ring) > largest:
		return 0, errors.New("temperature correction: give the sizes of ring and part")
	case min(c.RingAt, c.PartAt) < lowest || max(c.RingAt, c.PartAt) > highest:
		return 0, fmt.Errorf("temperature correction: %s and %s aren't temperatures to gauge at", c.RingAt, c.PartAt)
	case !(c.RingAlpha >= 0 && c.RingAlpha < 100 && c.PartAlpha >= 0 && c.PartAlpha < 100):
		return 0, errors.New("temperature correction: give expansion coefficients of 0 to 100 × 10⁻⁶/K")
	}
	ring := 1e-6 * c.RingAlpha * (c.RingAt - analysis.Reference).Degrees()
	part := 1e-6 * c.PartAlpha * (c.PartAt - analysis.Reference).Degrees()
	// The formula is written as a small difference, so that 1 + x loses no digits.
	return analysis.Deviation(math.Round((float64(c.Ring)*ring - float64(size)*part) / (1 + part))), nil
}

// At20 returns the size at 20 °C.
func (c Thermal) At20(size analysis.Length) (analysis.Length, error) {
	d, err := c.Correction(size)
	return size + analysis.Length(d), err
}
