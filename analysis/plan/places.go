package plan

import "fairbore/analysis"

// Depths proposes the depths at which to gauge a bore of a length and diameter:
// three, or five where it is more than three diameters long or blind. The first
// and the last lie a twentieth of the length inside the ends, and at least 3.5 mm,
// the tip's radius clear of a chamfer (common practice). The depths are whole
// steps, 1 mm or 0.05 in as the drawing is in mm or inches; nil if the bore is
// too short for that.
func Depths(length, diameter analysis.Length, blind bool, u analysis.Unit) []analysis.Length {
	step := analysis.Millimetre
	if u.Inch() {
		step = analysis.Inch / 20
	}
	n := analysis.Length(3)
	if blind || length > 3*diameter {
		n = 5
	}
	inside := max(length/20, 7*analysis.Millimetre/2)
	inside = (inside + step - 1) / step * step
	span := (length - 2*inside) / step * step // whole steps, so that no two places meet
	if length <= 0 || diameter <= 0 || span < (n-1)*step {
		return nil
	}
	out := make([]analysis.Length, n)
	for i := range n {
		out[i] = inside + (span*i/(n-1)+step/2)/step*step
	}
	return out
}
