package form

import (
	"math"

	"fairbore/analysis"
)

// choose names the errors along the bore. Barrel or waist, and a flare at
// either end, are each a line and something more; of those that are
// significant, the simplest that fits is taken: each shape must lower the
// sum of squares over variance by Coverage² to be worth its name.
func (p *profile) choose(r *Result) []Named {
	n := len(p.secs)
	const price = Coverage * Coverage
	best, lo, hi, bent := p.misfit(0, n, false), 0, n, false
	try := func(cost float64, l, h int, b bool) {
		if m := p.misfit(l, h, b) + cost; m < best {
			best, lo, hi, bent = m, l, h, b
		}
	}
	front, back := r.FrontFlare.Significant, r.BackFlare.Significant
	if r.Barrel.Significant {
		try(price, 0, n, true)
	}
	if front {
		try(price, 1, n, false)
	}
	if back {
		try(price, 0, n-1, false)
	}
	if front && back {
		try(2*price, 1, n-1, false)
	}
	named := make([]Named, 0, 4)
	if t, ok := p.nameTaper(r, lo, hi); ok {
		named = append(named, t)
	}
	if bent {
		named = append(named, p.nameCurve(r))
	}
	if lo > 0 {
		named = append(named, flare(r.FrontFlare, r.Face, p.secs[0].depth))
	}
	if hi < n {
		named = append(named, flare(r.BackFlare, r.Far, p.secs[n-1].depth))
	}
	return named
}

// misfit is the sum over sections lo up to hi of the squared deviations from
// their line (or parabola, of all), each over its variance.
func (p *profile) misfit(lo, hi int, parabola bool) float64 {
	var line Line
	for _, s := range p.secs[lo:hi] {
		line.Add(s.z, s.mean)
	}
	bend, c := 0.0, []float64(nil)
	if parabola {
		c = make([]float64, len(p.secs))
		sum := p.quadratic(c)
		bend, _ = p.contrast(c)
		bend /= sum
	}
	least := max(analysis.Length(p.opt.Step).Micrometres()/Coverage, 1e-4) // 0.1 nm, what a Length can tell
	chi := 0.0
	for i, s := range p.secs[lo:hi] {
		d := s.mean - line.At(s.z)
		if parabola {
			d -= bend * c[i]
		}
		d /= max(s.u, least)
		chi += d * d
	}
	return chi
}

// nameTaper is the taper of sections lo up to hi, those without a flared end.
func (p *profile) nameTaper(r *Result, lo, hi int) (Named, bool) {
	t, over := r.Taper.Amount, r.Taper.Over
	if hi-lo < len(p.secs) {
		c := make([]float64, len(p.secs))
		p.slope(c, lo, hi)
		v, u := p.contrast(c)
		span := p.secs[hi-1].z - p.secs[lo].z
		t = p.opt.amount(v*span, u*span, Coverage*u*span, hi-lo)
		over = p.secs[hi-1].depth - p.secs[lo].depth
	}
	named := name(KindTaper, t)
	named.Where, named.Depth = p.tightEnd(float64(t.Value), lo, hi)
	named.Over = over
	return named, t.Significant
}

// nameCurve names the parabola. Three depths can't tell a waist from a
// bell-mouth at both ends; four or more can't if the ends alone fit as well.
func (p *profile) nameCurve(r *Result) Named {
	n := len(p.secs)
	if r.Barrel.Value > 0 {
		return name(KindBarrel, r.Barrel)
	}
	kind := KindWaist
	if n == 3 || r.FrontFlare.Significant && r.BackFlare.Significant &&
		r.FrontFlare.Value > 0 && r.BackFlare.Value > 0 &&
		p.misfit(1, n-1, false)-p.misfit(0, n, true) < Coverage*Coverage {
		kind = KindOpenEnds
	}
	return name(kind, r.Barrel)
}

func flare(a Amount, where string, depth analysis.Length) Named {
	kind := KindBellMouth
	if a.Value < 0 {
		kind = KindTightEnd
	}
	named := name(kind, a)
	named.Where, named.Depth = where, depth
	return named
}

func name(kind Kind, a Amount) Named {
	return Named{Kind: kind, Size: analysis.Deviation(analysis.Length(a.Value).Abs()), U: a.U}
}

// straightness by both definitions, of the profile of diameters.
func (r *Result) straightness(p *profile, c []float64) {
	n := len(p.secs)
	if n < 3 {
		r.Straightness.Amount = unusable("gauge at a third depth", n)
		return
	}
	var line Line
	for _, s := range p.secs {
		line.Add(s.z, s.mean)
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, s := range p.secs {
		d := s.mean - line.At(s.z)
		low, high = min(low, d), max(high, d)
	}
	ls, err := analysis.FromMicrometres(high - low)
	if err != nil {
		r.Straightness.Amount = unusable("sizes too far apart to be one bore: check the unit", n)
		return
	}
	r.Straightness.LeastSquares = analysis.Deviation(ls)
	k, i, j := p.zone()
	p.off(c, k, i, j)
	v, u := p.contrast(c)
	r.Straightness.Amount = p.opt.amount(math.Abs(v), u, max(Coverage*u, rangeOfNothing(n-1)*p.meanU()), n)
}

// meanU is the root mean square uncertainty of the section means.
func (p *profile) meanU() float64 {
	sum := 0.0
	for _, s := range p.secs {
		sum += s.u * s.u
	}
	return math.Sqrt(sum / float64(len(p.secs)))
}

// zone finds the minimum zone: one of its two lines goes through an edge i, j
// of the profile's convex hull, the other through the section k farthest from it.
func (p *profile) zone() (k, i, j int) {
	hull := make([]int, 0, len(p.secs))
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
	for i := range p.secs {
		for len(hull) >= 2 && side*p.turn(hull[len(hull)-2], hull[len(hull)-1], i) >= 0 {
			hull = hull[:len(hull)-1]
		}
		hull = append(hull, i)
	}
	return hull
}

// turn is positive if the profile bends upwards at b on its way from a to c.
func (p *profile) turn(a, b, c int) float64 {
	s, t, u := p.secs[a], p.secs[b], p.secs[c]
	return (t.z-s.z)*(u.mean-s.mean) - (t.mean-s.mean)*(u.z-s.z)
}

func (p *profile) farthest(i, j int) (far float64, at int) {
	a, b := p.secs[i], p.secs[j]
	slope := (b.mean - a.mean) / (b.z - a.z)
	far = -1
	for k, s := range p.secs {
		if d := math.Abs(s.mean - a.mean - slope*(s.z-a.z)); d > far && k != i && k != j {
			far, at = d, k
		}
	}
	return far, at
}
