package form

import (
	"math"

	"fairbore/analysis"
)

func radians(a analysis.Angle) float64 { return a.Degrees() * math.Pi / 180 }

// noiseRange returns the range, in standard deviations, that n readings of one size exceed by
// chance once in twenty (studentised range, infinite degrees of freedom; by integration). Above 12
// readings it is the range of 12 readings and a little more.
func noiseRange(n int) float64 {
	q := [...]float64{0, 0, 2.7718, 3.3145, 3.6332, 3.8577, 4.0301, 4.1696, 4.2863, 4.3865, 4.4741, 4.5519, 4.6217}
	if n < len(q) {
		return q[n]
	}
	return q[len(q)-1] + 0.75*math.Log(float64(n)/float64(len(q)-1))
}

// across works out the errors about the axis, section by section. It names the errors of the worst
// section.
func (r *Result) across(p *profile) {
	why := analysis.Say("form.why.second_angle_each")
	if p.opt.Gauge != TwoPoint {
		why = analysis.Say("form.why.no_oval", p.opt.Gauge.name())
	}
	r.OutOfRound, r.Oval.Amount = unusable(analysis.Say("form.why.second_angle_each"), 0), unusable(why, 0)
	worst, oval := -1, -1
	for i := range p.sections {
		s := &r.Sections[i]
		s.OutOfRound = p.outOfRound(p.sections[i])
		s.Oval = p.oval(p.sections[i])
		if worse(s.OutOfRound, r.OutOfRound) {
			r.OutOfRound, worst = s.OutOfRound, i
		}
		if worse(s.Oval.Amount, r.Oval.Amount) {
			r.Oval, oval = s.Oval, i
		}
	}
	if r.Oval.Significant {
		named := name(KindOval, r.Oval.Amount)
		named.Depth, named.AtLeast = p.sections[oval].depth, r.Oval.AtLeast
		r.Named = append(r.Named, named)
	}
	// The oval does not explain all out-of-roundness: there are other lobes, or one odd place.
	if r.OutOfRound.Significant && (!r.Oval.Significant || r.OutOfRound.Value > r.Oval.Value+r.OutOfRound.Threshold) {
		named := name(KindOutOfRound, r.OutOfRound)
		named.Depth = p.sections[worst].depth
		r.Named = append(r.Named, named)
	}
}

// worse reports whether a is worse than b. A significant amount is worse than one that is usable
// only, and a usable amount is worse than one that is not usable. After that the larger amount is
// worse, then the amount with the larger uncertainty.
func worse(a, b Amount) bool {
	if a.Usable != b.Usable {
		return a.Usable
	}
	if a.Significant != b.Significant {
		return a.Significant
	}
	if a.Value != b.Value {
		return a.Value > b.Value
	}
	return a.U > b.U
}

// outOfRound returns the range of the sizes at a section's places.
func (p *profile) outOfRound(s section) Amount {
	places := p.places[s.from:s.to]
	n := len(places)
	if n < 2 {
		return unusable(analysis.Say("form.why.second_angle"), n)
	}
	if p.opt.Gauge == TwoPoint {
		if d, _, _ := distinct(places); d < 2 {
			return unusable(analysis.Say("form.why.half_turn"), d)
		}
	}
	small, large, variance := places[0], places[0], 0.0
	for _, pl := range places {
		if pl.size < small.size {
			small = pl
		}
		if pl.size > large.size {
			large = pl
		}
		variance = max(variance, pl.variance)
	}
	k := RoundCoverage
	if n > 3 {
		k = noiseRange(n)
	}
	u := p.repeat * math.Sqrt(small.variance+large.variance)
	return p.opt.amount(large.size-small.size, u, k*p.repeat*math.Sqrt(variance), n)
}

// oval fits the two-lobe part of a section.
func (p *profile) oval(s section) Oval {
	places := p.places[s.from:s.to]
	if p.opt.Gauge != TwoPoint {
		return Oval{Amount: unusable(analysis.Say("form.why.no_oval", p.opt.Gauge.name()), len(places))}
	}
	switch n, a, b := distinct(places); {
	case n >= 3:
		return p.fitOval(places)
	case n == 2:
		return p.minOval(a, b)
	default:
		return Oval{Amount: unusable(analysis.Say("form.why.second_angle"), n)}
	}
}

// distinct returns the number of different orientations, at most three. To a two-point gauge, two
// orientations half a turn apart are the same. If there are two, a and b are the first place of
// each.
func distinct(places []placeSize) (n int, a, b placeSize) {
	const half = 180 * analysis.Degree
	a = places[0]
	n = 1
	for _, pl := range places[1:] {
		switch {
		case (pl.angle-a.angle)%half == 0:
		case n == 1:
			b, n = pl, 2
		case (pl.angle-b.angle)%half != 0:
			return 3, a, b
		}
	}
	return n, a, b
}

// minOval returns the smallest oval that explains the difference of a and b. Between two
// orientations an angle g apart, an oval of 2A shows a difference of at most 2A |sin g|.
func (p *profile) minOval(a, b placeSize) Oval {
	g := math.Abs(math.Sin(radians(a.angle - b.angle)))
	if g < 0.1 {
		return Oval{Amount: unusable(analysis.Say("form.why.apart_90"), 2)}
	}
	u := p.repeat * math.Sqrt(a.variance+b.variance) / g
	t := RoundCoverage * p.repeat * math.Sqrt(max(a.variance, b.variance)) / g
	return Oval{Amount: p.opt.amount(math.Abs(a.size-b.size)/g, u, t, 2), AtLeast: true}
}

// fitOval returns the weighted least-squares fit of d = m + x cos 2a + y sin 2a.
func (p *profile) fitOval(places []placeSize) Oval {
	var w, wc, ws, wd float64
	for _, pl := range places {
		k := 1 / pl.variance
		w, wc, ws, wd = w+k, wc+k*pl.cos, ws+k*pl.sin, wd+k*pl.size
	}
	wc, ws, wd = wc/w, ws/w, wd/w
	var cc, cs, ss, cd, sd float64 // sums about the means; taking them about the means eliminates m
	for _, pl := range places {
		k, c, s, d := 1/pl.variance, pl.cos-wc, pl.sin-ws, pl.size-wd
		cc, cs, ss, cd, sd = cc+k*c*c, cs+k*c*s, ss+k*s*s, cd+k*c*d, sd+k*s*d
	}
	det := cc*ss - cs*cs
	if det < 1e-6*cc*ss {
		return Oval{Amount: unusable(analysis.Say("form.why.apart_60"), len(places))}
	}
	x, y := (ss*cd-cs*sd)/det, (cc*sd-cs*cd)/det
	amplitude := math.Hypot(x, y)
	// The variance of A in units of repeatability², along (x, y), or in the worst direction if (x, y) is
	// zero.
	variance := ((cc+ss)/2 + math.Hypot((cc-ss)/2, cs)) / det
	if amplitude > 1e-9 {
		variance = (x*x*ss - 2*x*y*cs + y*y*cc) / det / (amplitude * amplitude)
	}
	u := 2 * p.repeat * math.Sqrt(variance)
	o := Oval{Amount: p.opt.amount(2*amplitude, u, RoundCoverage*u, len(places))}
	if o.Usable && amplitude > 0 {
		widest := analysis.Angle(math.Round(math.Atan2(y, x) / 2 * 180 / math.Pi * float64(analysis.Degree)))
		o.Widest = (widest + 180*analysis.Degree) % (180 * analysis.Degree)
	}
	return o
}
