package form

import (
	"math"

	"fairbore/analysis"
)

// minShare is the smallest error that is named, as a share of the whole variation of the section
// means. Beside a taper of 8 µm a step of 1 µm is real, but nobody corrects it by honing (the
// figure is this project's choice).
const minShare = 0.2

// shape describes the profile. It is either a line through the sections lo up to hi, or a line and
// a parabola. A section outside lo up to hi is a flare.
type shape struct {
	lo, hi   int
	parabola bool
}

// terms returns the number of parameters that the shape has in addition to a line.
func (s shape) terms(sections int) int {
	n := sections - (s.hi - s.lo)
	if s.parabola {
		n++
	}
	return n
}

// choose names the errors along the bore.
func (p *profile) choose(r *Result) []NamedError {
	best := p.bestShape(r)
	named := make([]NamedError, 0, 4)
	if t, ok := p.nameTaper(r, best); ok {
		named = append(named, t)
	}
	last := len(p.sections) - 1
	if best.parabola {
		named = append(named, p.nameCurve(r))
	}
	if best.lo > 0 {
		named = append(named, flare(r.FrontFlare, r.Face, p.sections[0].depth))
	}
	if best.hi <= last {
		named = append(named, flare(r.BackFlare, r.Far, p.sections[last].depth))
	}
	if best.terms(last+1) == 0 && p.worthNaming(r.Straightness.Amount) {
		named = append(named, name(KindUneven, r.Straightness.Amount))
	}
	return named
}

// bestShape returns the simplest shape that fits. A shape with more terms than a line must consist
// of errors that are worth naming. Each of its terms must also lower the misfit (the sum of squares
// over variance) by at least Coverage² × s. Here s is the remaining misfit per degree of freedom,
// or 1 if that is more. The reason for s is that a real wall has ripples larger than the gauge's
// noise, and they are not a bell-mouth.
//
// Two flares need three sections between them. Two ends that are both tight are a barrel.
func (p *profile) bestShape(r *Result) shape {
	n := len(p.sections)
	best := shape{0, n, false}
	line := p.misfit(best)
	least := line
	try := func(s shape) {
		terms, left := float64(s.terms(n)), p.misfit(s)
		scale := 1.0
		if free := float64(n-2) - terms; free > 0 {
			scale = max(scale, left/free)
		}
		const price = Coverage * Coverage
		if line-left >= price*terms*scale && left+price*terms < least {
			best, least = s, left+price*terms
		}
	}
	front, back := p.worthNaming(r.FrontFlare), p.worthNaming(r.BackFlare)
	if p.worthNaming(r.Barrel) {
		try(shape{0, n, true})
	}
	if front {
		try(shape{1, n, false})
	}
	if back {
		try(shape{0, n - 1, false})
	}
	if front && back && n >= 5 && (r.FrontFlare.Value > 0 || r.BackFlare.Value > 0) {
		try(shape{1, n - 1, false})
	}
	return best
}

// worthNaming reports whether an error is significant and a large enough share of the whole.
func (p *profile) worthNaming(a Amount) bool {
	low, high := math.Inf(1), math.Inf(-1)
	for _, s := range p.sections {
		low, high = min(low, s.mean), max(high, s.mean)
	}
	return a.Significant && analysis.Length(a.Value).Abs().Micrometres() >= minShare*(high-low)
}

// misfit returns the sum of the squared deviations of the sections from a shape, each divided by
// the variance of the section.
func (p *profile) misfit(s shape) float64 {
	var line Line
	for _, sec := range p.sections[s.lo:s.hi] {
		line.Add(sec.z, sec.mean)
	}
	bend, c := 0.0, []float64(nil)
	if s.parabola {
		c = make([]float64, len(p.sections))
		sum := p.quadratic(c)
		bend, _ = p.contrast(c)
		bend /= sum
	}
	least := max(analysis.Length(p.opt.Step).Micrometres()/Coverage, 1e-4) // 0.1 nm, the resolution of a Length
	chi := 0.0
	for i, sec := range p.sections[s.lo:s.hi] {
		d := sec.mean - line.At(sec.z)
		if s.parabola {
			d -= bend * c[i]
		}
		d /= max(sec.u, least)
		chi += d * d
	}
	return chi
}

// nameTaper returns the taper of a shape's line. The line leaves out a flared end.
func (p *profile) nameTaper(r *Result, s shape) (NamedError, bool) {
	t, over := r.Taper.Amount, r.Taper.Over
	if s.hi-s.lo < len(p.sections) {
		c := make([]float64, len(p.sections))
		p.slope(c, s.lo, s.hi)
		v, u := p.contrast(c)
		span := p.sections[s.hi-1].z - p.sections[s.lo].z
		t = p.opt.amount(v*span, u*span, Coverage*u*span, s.hi-s.lo)
		over = p.sections[s.hi-1].depth - p.sections[s.lo].depth
	}
	named := name(KindTaper, t)
	named.Where, named.Depth = p.tightEnd(float64(t.Value), s.lo, s.hi)
	named.Over = over
	return named, p.worthNaming(t)
}

// nameCurve names the parabola. Three depths can't tell a waist from a bell-mouth at both ends. Four
// or more depths can't either, if a line with two flared ends fits as well as the parabola.
func (p *profile) nameCurve(r *Result) NamedError {
	n := len(p.sections)
	if r.Barrel.Value > 0 {
		return name(KindBarrel, r.Barrel)
	}
	kind := KindWaist
	if n == 3 || r.FrontFlare.Significant && r.BackFlare.Significant &&
		r.FrontFlare.Value > 0 && r.BackFlare.Value > 0 &&
		p.misfit(shape{1, n - 1, false})-p.misfit(shape{0, n, true}) < Coverage*Coverage {
		kind = KindOpenEnds
	}
	return name(kind, r.Barrel)
}

func flare(a Amount, where string, depth analysis.Length) NamedError {
	kind := KindBellMouth
	if a.Value < 0 {
		kind = KindTightEnd
	}
	named := name(kind, a)
	named.Where, named.Depth = where, depth
	return named
}

func name(kind ErrorKind, a Amount) NamedError {
	return NamedError{Kind: kind, Size: analysis.Deviation(analysis.Length(a.Value).Abs()), U: a.U}
}

// straightness works out the straightness of the profile of diameters by both definitions.
func (r *Result) straightness(p *profile, c []float64) {
	n := len(p.sections)
	if n < 3 {
		r.Straightness.Amount = unusable(analysis.Say("form.why.third_depth"), n)
		return
	}
	var line Line
	for _, s := range p.sections {
		line.Add(s.z, s.mean)
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, s := range p.sections {
		d := s.mean - line.At(s.z)
		low, high = min(low, d), max(high, d)
	}
	ls, err := analysis.FromMicrometres(high - low)
	if err != nil {
		r.Straightness.Amount = unusable(analysis.Say("form.why.sizes_apart"), n)
		return
	}
	r.Straightness.LeastSquares = analysis.Deviation(ls)
	k, i, j := p.zone()
	p.endOffset(c, k, i, j)
	v, u := p.contrast(c)
	r.Straightness.Amount = p.opt.amount(math.Abs(v), u, max(Coverage*u, noiseRange(n-1)*p.meanU()), n)
}

// meanU returns the root mean square uncertainty of the section means.
func (p *profile) meanU() float64 {
	sum := 0.0
	for _, s := range p.sections {
		sum += s.u * s.u
	}
	return math.Sqrt(sum / float64(len(p.sections)))
}

// zone finds the minimum zone. One of its two lines goes through an edge i, j of the profile's convex
// hull, the other through the section k that is farthest from it.
func (p *profile) zone() (k, i, j int) {
	hull := make([]int, 0, len(p.sections))
	least := math.Inf(1)
	for _, side := range [...]float64{1, -1} {
		hull = p.hull(hull[:0], side)
		for e := 1; e < len(hull); e++ {
			far, at := p.farthest(hull[e-1], hull[e])
			if far < least {
				least, k, i, j = far, at, hull[e-1], hull[e]
			}
		}
	}
	return k, i, j
}

// hull appends the indices of the upper (side 1) or lower (-1) convex hull.
func (p *profile) hull(hull []int, side float64) []int {
	for i := range p.sections {
		for len(hull) >= 2 && side*p.turn(hull[len(hull)-2], hull[len(hull)-1], i) >= 0 {
			hull = hull[:len(hull)-1]
		}
		hull = append(hull, i)
	}
	return hull
}

// turn returns a positive number if the profile bends upwards at b on its way from a to c.
func (p *profile) turn(a, b, c int) float64 {
	s, t, u := p.sections[a], p.sections[b], p.sections[c]
	return (t.z-s.z)*(u.mean-s.mean) - (t.mean-s.mean)*(u.z-s.z)
}

func (p *profile) farthest(i, j int) (far float64, at int) {
	a, b := p.sections[i], p.sections[j]
	slope := (b.mean - a.mean) / (b.z - a.z)
	far = -1
	for k, s := range p.sections {
		if d := math.Abs(s.mean - a.mean - slope*(s.z-a.z)); d > far && k != i && k != j {
			far, at = d, k
		}
	}
	return far, at
}
