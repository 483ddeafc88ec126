package form

import (
	"math"

	"fairbore/analysis"
)

// contrast is an error along the bore as a sum c·m over the section means: its
// value, and the standard uncertainty that theirs give it, both µm.
func (p *profile) contrast(c []float64) (v, u float64) {
	for i, s := range p.secs {
		v += c[i] * s.mean
		u += c[i] * c[i] * s.u * s.u
	}
	return v, math.Sqrt(u)
}

func (p *profile) amount(c []float64) Amount {
	v, u := p.contrast(c)
	return p.opt.amount(v, u, Coverage*u, len(p.secs))
}

// along fills in all errors along the bore. It comes after across, whose ovals
// say what a section gauged at other angles may be out by.
func (r *Result) along(p *profile) {
	r.allowForAngles(p)
	n := len(p.secs)
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

// taper: slope b = S z m / S z² about the mean depth.
func (r *Result) taper(p *profile, c []float64) {
	p.slope(c, 0, len(p.secs))
	v, u := p.contrast(c)
	span := p.span()
	first, last := p.secs[0], p.secs[len(p.secs)-1]
	t := &r.Taper
	t.Over = last.depth - first.depth
	t.Amount = p.opt.amount(v*span, u*span, Coverage*u*span, len(p.secs))
	per100, err1 := analysis.FromMicrometres(v * 100)
	perInch, err2 := analysis.FromMicrometres(v * 25.4)
	whole, err3 := analysis.FromMicrometres(v * float64(p.opt.Length) / float64(analysis.Millimetre))
	if err1 != nil || err2 != nil || err3 != nil {
		t.Amount = unusable(analysis.Say("form.why.places_close"), len(p.secs))
		return
	}
	t.Per100, t.PerInch, t.Whole = analysis.Deviation(per100), analysis.Deviation(perInch), analysis.Deviation(whole)
	ends, _ := analysis.FromMicrometres(last.mean - first.mean)
	t.EndToEnd = analysis.Deviation(ends)
	if t.Significant {
		t.Tight, _ = p.tightEnd(float64(t.Value), 0, len(p.secs))
	}
}

// tightEnd is the end at which a bore that opens (v > 0) or closes with depth
// is tight, and the depth of the section there, of sections lo up to hi.
func (p *profile) tightEnd(v float64, lo, hi int) (string, analysis.Length) {
	if v > 0 {
		return p.opt.Face, p.secs[lo].depth
	}
	return p.opt.Far, p.secs[hi-1].depth
}

// slope sets c to the contrast that is the slope, µm/mm, of the least-squares
// line through sections lo up to hi, two at least.
func (p *profile) slope(c []float64, lo, hi int) {
	clear(c)
	mean := 0.0
	for _, s := range p.secs[lo:hi] {
		mean += s.z
	}
	mean /= float64(hi - lo)
	szz := 0.0
	for _, s := range p.secs[lo:hi] {
		szz += (s.z - mean) * (s.z - mean)
	}
	for i := lo; i < hi; i++ {
		c[i] = (p.secs[i].z - mean) / szz
	}
}

// curve: the polynomial of second degree orthogonal on these depths to a
// constant and a line, (z-m)² - b (z-m) - g. The middle of a parabola q times
// it lies q (L/2)² below the mean of its ends, which is the error's size.
func (r *Result) curve(p *profile, c []float64) {
	n := float64(len(p.secs))
	if n < 3 {
		r.Barrel = unusable(analysis.Say("form.why.third_depth_barrel"), len(p.secs))
		return
	}
	q := p.quadratic(c)
	half := p.span() / 2
	for i := range c {
		c[i] *= -half * half / q
	}
	r.Barrel = p.amount(c)
}

// quadratic sets c to the orthogonal polynomial's values and returns their sum
// of squares.
func (p *profile) quadratic(c []float64) (sum float64) {
	n := float64(len(p.secs))
	mean, s2, s3 := 0.0, 0.0, 0.0
	for _, s := range p.secs {
		mean += s.z / n
	}
	for _, s := range p.secs {
		d := s.z - mean
		s2 += d * d
		s3 += d * d * d
	}
	for i, s := range p.secs {
		d := s.z - mean
		c[i] = d*d - s3/s2*d - s2/n
		sum += c[i] * c[i]
	}
	return sum
}

// flares: an end section less the line through the next two, carried on to it.
func (r *Result) flares(p *profile, c []float64) {
	n := len(p.secs)
	if n < 4 {
		r.FrontFlare = unusable(analysis.Say("form.why.fourth_depth"), n)
		r.BackFlare = r.FrontFlare
		return
	}
	p.off(c, 0, 1, 2)
	r.FrontFlare = p.amount(c)
	p.off(c, n-1, n-2, n-3)
	r.BackFlare = p.amount(c)
}

// off sets c to the contrast that is section k less the line through i and j.
func (p *profile) off(c []float64, k, i, j int) {
	clear(c)
	t := (p.secs[k].z - p.secs[i].z) / (p.secs[j].z - p.secs[i].z)
	c[k] += 1
	c[i] -= 1 - t
	c[j] -= t
}

// allowForAngles widens the uncertainty of sections that were not gauged at
// the angles of the others: an oval of amplitude A, known from the sections
// with several orientations, moves a mean by A times the mean of cos 2(a-a0)
// over its angles. Only what differs from the other sections matters; its
// phase is unknown, hence A/√2.
func (r *Result) allowForAngles(p *profile) {
	if p.opt.Gauge != TwoPoint || len(p.secs) < 2 {
		return
	}
	var cos, sin float64
	n := float64(len(p.secs))
	for _, s := range p.secs {
		x, y := p.direction(s)
		cos, sin = cos+x/n, sin+y/n
	}
	amplitude := r.amplitude()
	for i := range p.secs {
		s := &p.secs[i]
		x, y := p.direction(*s)
		if out := math.Hypot(x-cos, y-sin); out > 1e-9 {
			r.Unbalanced = true
			s.u = math.Hypot(s.u, amplitude*out/math.Sqrt2)
		}
	}
}

// direction is the mean of (cos 2a, sin 2a) over a section's places.
func (p *profile) direction(s section) (cos, sin float64) {
	n := float64(s.to - s.from)
	for _, pl := range p.places[s.from:s.to] {
		cos, sin = cos+pl.cos/n, sin+pl.sin/n
	}
	return cos, sin
}

// amplitude is half of the largest out-of-roundness of any section, µm.
func (r *Result) amplitude() float64 {
	return analysis.Length(max(r.Oval.Value, r.OutOfRound.Value)).Micrometres() / 2
}
