package master

import "fairbore/analysis"

// Adjust holds the corrections of a size other than the zero. Its zero value corrects nothing: both
// corrections are off unless somebody turns them on.
type Adjust struct {
	// Thermal refers the size to 20 °C. It is nil when the temperatures are not known.
	Thermal *Thermal `json:"thermal,omitempty"`
	// Indentation is by how much the gauge reads large in the part (see [LargerThanRing]). It is
	// subtracted.
	Indentation analysis.Deviation `json:"indentation_um,omitempty"`
}

// Size returns the corrected size. The contact is corrected first, as it acts at the temperature of
// the part. Source: common practice.
func (a Adjust) Size(size analysis.Length) (analysis.Length, error) {
	size -= analysis.Length(a.Indentation)
	if a.Thermal == nil {
		return size, nil
	}
	return a.Thermal.At20(size)
}
