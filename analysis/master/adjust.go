package master

import "fairbore/analysis"

// Adjust is what is corrected in a size besides the zero. Its zero value
// changes nothing: both corrections are off unless somebody turns them on.
type Adjust struct {
	// Thermal refers the size to 20 °C; nil when the temperatures aren't known.
	Thermal *Thermal `json:"thermal,omitempty"`
	// Indentation is what the gauge reads large in the part, see
	// [LargerThanRing]; it is taken off.
	Indentation analysis.Deviation `json:"indentation_um,omitempty"`
}

// Size returns the size with the corrections made: the contact first, as it
// happened at the temperature of the part.
// Source: common practice.
func (a Adjust) Size(size analysis.Length) (analysis.Length, error) {
	size -= analysis.Length(a.Indentation)
	if a.Thermal == nil {
		return size, nil
	}
	return a.Thermal.At20(size)
}
