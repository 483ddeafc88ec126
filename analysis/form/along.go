package form

import (
	"math"

	"fairbore/analysis"
)

// contrast evaluates an error along the bore that is a sum c·m over the section means m. It returns
// the value of the error and its standard uncertainty, both in µm.
func (p *profile) contrast(c []float64) (v, u float64) {
	for i, s := range p.sections {
		v += c[i] * s.mean
		u += c[i] * c[i] * s.u * s.u
	}
	return v, math.Sqrt(u)
}

func (p *profile) amount(c []float64) Amount {
	v, u := p.contrast(c)
	return p.opt.amount(v, u, Coverage*u, len(p.sections))
}

// along works out all errors along the bore. It must run after across, because it uses the ovals
// that across finds. The ovals say how wrong a section gauged at other angles may be.
func (r *Result) along(p *profile) {
	r.widenForAngles(p)
	n := len(p.sections)
	if n < 2 {
		r.refuseAlong(analysis.Say("form.why.second_depth"), n)
		return
	}
	if r.Unbalanced && r.OutOfRound.N < 2 {
		r.refuseAlong(analysis.Say("form.why.same_angles"), n)
		return
	}
	c := make([]float64, n)
	r.taper(p, c)
	r.curve(p, c)
	r.flares(p, c)
	r.straightness(p, c)
	named := p.choose(r)
	for _, other := range named {
		r.Mixed = r.Mixed || other.Kind != named[0].Kind
	}
	r.Named = append(named, r.Named...)
}

func (r *Result) refuseAlong(why analysis.Phrase, n int) {
	a := unusable(why, n)
	r.Taper.Amount, r.Barrel, r.FrontFlare, r.BackFlare, r.Straightness.Amount = a, a, a, a, a
}

// taper works out the taper. The slope is b = Σ z m / Σ z², with z from the mean depth.
func (r *Result) taper(p *profile, c []float64) {
	p.slope(c, 0, len(p.sections))
	v, u := p.contrast(c)
	span := p.span()
	first, last := p.sections[0], p.sections[len(p.sections)-1]
	t := &r.Taper
	t.Over = last.depth - first.depth
	t.Amount = p.opt.amount(v*span, u*span, Coverage*u*span, len(p.sections))
	per100, err1 := analysis.FromMicrometres(v * 100)
	perInch, err2 := analysis.FromMicrometres(v * 25.4)
	whole, err3 := analysis.FromMicrometres(v * float64(p.opt.Length) / float64(analysis.Millimetre))
	if err1 != nil || err2 != nil || err3 != nil {
		t.Amount = unusable(analysis.Say("form.why.places_close"), len(p.sections))
		return
	}
	t.Per100, t.PerInch, t.Whole = analysis.Deviation(per100), analysis.Deviation(perInch), analysis.Deviation(whole)
	ends, _ := analysis.FromMicrometres(last.mean - first.mean)
	t.EndToEnd = analysis.Deviation(ends)
	if t.Significant {
		t.Tight, _ = p.tightEnd(float64(t.Value), 0, len(p.sections))
	}
}

// tightEnd returns the name of the tight end and the depth of the section at that end, among
// sections lo up to hi. v is the taper. The bore opens with depth if v > 0, otherwise it closes.
func (p *profile) tightEnd(v float64, lo, hi int) (string, analysis.Length) {
	if v > 0 {
		return p.opt.Face, p.sections[lo].depth
	}
	return p.opt.Far, p.sections[hi-1].depth
}

// slope sets c to the contrast for the slope, µm/mm, of the least-squares line through sections lo up
// to hi. There must be at least two sections.
func (p *profile) slope(c []float64, lo, hi int) {
	clear(c)
	mean := 0.0
	for _, s := range p.sections[lo:hi] {
		mean += s.z
	}
	mean /= float64(hi - lo)
	szz := 0.0
	for _, s := range p.sections[lo:hi] {
		szz += (s.z - mean) * (s.z - mean)
	}
	for i := lo; i < hi; i++ {
		c[i] = (p.sections[i].z - mean) / szz
	}
}

// curve works out the barrel. It fits q times the polynomial of second degree that is orthogonal to
// a constant and a line at the gauged depths, (z-m)² - b (z-m) - g. The middle of this parabola
// lies q (L/2)² below the mean of its ends. That distance is the size of the error.
func (r *Result) curve(p *profile, c []float64) {
	n := float64(len(p.sections))
	if n < 3 {
		r.Barrel = unusable(analysis.Say("form.why.third_depth_barrel"), len(p.sections))
		return
	}
	q := p.quadratic(c)
	half := p.span() / 2
	for i := range c {
		c[i] *= -half * half / q
	}
	r.Barrel = p.amount(c)
}

// quadratic sets c to the values of the orthogonal polynomial. It returns the sum of their squares.
func (p *profile) quadratic(c []float64) (sum float64) {
	n := float64(len(p.sections))
	mean, s2, s3 := 0.0, 0.0, 0.0
	for _, s := range p.sections {
		mean += s.z / n
	}
	for _, s := range p.sections {
		d := s.z - mean
		s2 += d * d
		s3 += d * d * d
	}
	for i, s := range p.sections {
		d := s.z - mean
		c[i] = d*d - s3/s2*d - s2/n
		sum += c[i] * c[i]
	}
	return sum
}

// flares works out the flares. A flare is the mean of an end section less the line through the next
// two sections, extended to the end section.
func (r *Result) flares(p *profile, c []float64) {
	n := len(p.sections)
	if n < 4 {
		r.FrontFlare = unusable(analysis.Say("form.why.fourth_depth"), n)
		r.BackFlare = r.FrontFlare
		return
	}
	p.endOffset(c, 0, 1, 2)
	r.FrontFlare = p.amount(c)
	p.endOffset(c, n-1, n-2, n-3)
	r.BackFlare = p.amount(c)
}

// endOffset sets c to the contrast for section k's mean less the line through sections i and j.
func (p *profile) endOffset(c []float64, k, i, j int) {
	clear(c)
	t := (p.sections[k].z - p.sections[i].z) / (p.sections[j].z - p.sections[i].z)
	c[k] += 1
	c[i] -= 1 - t
	c[j] -= t
}

// widenForAngles increases the uncertainty of sections that were not gauged at the same angles as
// the others. An oval of amplitude A moves the mean of a section by A times the mean of cos 2(a-a0)
// over the section's angles. A is known from the sections with several orientations. Only the
// difference from the other sections matters. The phase a0 is not known, so the uncertainty has the
// factor A/√2.
func (r *Result) widenForAngles(p *profile) {
	if p.opt.Gauge != TwoPoint || len(p.sections) < 2 {
		return
	}
	var cos, sin float64
	n := float64(len(p.sections))
	for _, s := range p.sections {
		x, y := p.direction(s)
		cos, sin = cos+x/n, sin+y/n
	}
	amplitude := r.amplitude()
	for i := range p.sections {
		s := &p.sections[i]
		x, y := p.direction(*s)
		if out := math.Hypot(x-cos, y-sin); out > 1e-9 {
			r.Unbalanced = true
			s.u = math.Hypot(s.u, amplitude*out/math.Sqrt2)
		}
	}
}

// direction returns the mean of (cos 2a, sin 2a) over a section's places.
func (p *profile) direction(s section) (cos, sin float64) {
	n := float64(s.to - s.from)
	for _, pl := range p.places[s.from:s.to] {
		cos, sin = cos+pl.cos/n, sin+pl.sin/n
	}
	return cos, sin
}

// amplitude returns half of the largest out-of-roundness of any section, µm.
func (r *Result) amplitude() float64 {
	return analysis.Length(max(r.Oval.Value, r.OutOfRound.Value)).Micrometres() / 2
}
