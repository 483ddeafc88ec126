package plan

import "fairbore/analysis"

// Depths proposes the depths at which to gauge a bore of a length and diameter. It proposes
// three depths, or five if the bore is blind or more than three diameters long. The first
// and the last lie inside the ends by a twentieth of the length, and by at least 3.5 mm, so
// that the radius of the tip is clear of a chamfer (common practice). The depths are whole
// steps of 1 mm, or of 0.05 in if u is an inch unit. Depths returns nil if the bore is too
// short for that.
func Depths(length, diameter analysis.Length, blind bool, u analysis.Unit) []analysis.Length {
	if diameter <= 0 {
		return nil
	}
	if blind || length > 3*diameter {
		return Spread(5, length, u)
	}
	return Spread(3, length, u)
}

// Spread returns n depths, at least two, evenly spread as those of [Depths], nil if the bore is too
// short for so many.
func Spread(n analysis.Length, length analysis.Length, u analysis.Unit) []analysis.Length {
	step := analysis.Millimetre
	if u.Inch() {
		step = analysis.Inch / 20
	}
	inside := max(length/20, 7*analysis.Millimetre/2)
	inside = (inside + step - 1) / step * step
	span := (length - 2*inside) / step * step // whole steps, so that no two places meet
	if length <= 0 || span < (n-1)*step {
		return nil
	}
	out := make([]analysis.Length, n)
	for i := range n {
		out[i] = inside + (span*i/(n-1)+step/2)/step*step
	}
	return out
}
