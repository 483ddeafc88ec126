package form

import (
	"cmp"
	"math"
	"slices"

	"fairbore/analysis"
)

// profile holds the readings, sorted into places and sections. Internally, sizes are µm above base,
// the smallest reading. They are differences of exact lengths, so a constant added to all sizes
// changes nothing.
type profile struct {
	opt      Options
	base     analysis.Length
	repeat   float64     // repeatability, µm
	raw      []Local     // sorted by depth, angle and size
	places   []placeSize // sorted by depth and angle
	sections []section
}

// placeSize is the size at one depth and orientation.
type placeSize struct {
	angle    analysis.Angle
	cos, sin float64 // of twice the angle
	size     float64 // median of its readings, µm above base
	variance float64 // of size, in units of repeatability²
}

// section holds the places at one depth: places[from:to], with the readings raw[rawFrom:rawTo].
type section struct {
	depth                    analysis.Length
	z                        float64 // mm from the middle of the gauged length
	mean                     float64 // µm above base
	u                        float64 // standard uncertainty of mean, µm
	from, to, rawFrom, rawTo int
}

func newProfile(readings []analysis.Reading, opt Options) *profile {
	p := &profile{opt: opt, repeat: analysis.Length(opt.Repeatability).Micrometres()}
	p.raw = make([]Local, len(readings))
	for i := range readings {
		p.raw[i] = Local{readings[i].Place, readings[i].Size}
	}
	slices.SortFunc(p.raw, func(a, b Local) int {
		switch {
		case a.Depth != b.Depth:
			return cmp.Compare(a.Depth, b.Depth)
		case a.Angle != b.Angle:
			return cmp.Compare(a.Angle, b.Angle)
		}
		return cmp.Compare(a.Size, b.Size)
	})
	if len(p.raw) > 0 {
		p.base = slices.MinFunc(p.raw, func(a, b Local) int { return cmp.Compare(a.Size, b.Size) }).Size
	}
	p.places = make([]placeSize, 0, len(p.raw))
	p.sections = make([]section, 0, 16)
	for from := 0; from < len(p.raw); {
		to := from
		for to < len(p.raw) && p.raw[to].Depth == p.raw[from].Depth {
			to++
		}
		p.section(from, to)
		from = to
	}
	p.centre()
	return p
}

// section adds the section that consists of the readings raw[from:to].
func (p *profile) section(from, to int) {
	s := section{depth: p.raw[from].Depth, from: len(p.places), rawFrom: from, rawTo: to}
	variance := 0.0
	for i := from; i < to; {
		j := i
		for j < to && p.raw[j].Angle == p.raw[i].Angle {
			j++
		}
		pl := placeSize{angle: p.raw[i].Angle, size: p.median(i, j), variance: medianVariance(j - i)}
		pl.sin, pl.cos = math.Sincos(2 * radians(pl.angle))
		p.places = append(p.places, pl)
		s.mean += pl.size
		variance += pl.variance
		i = j
	}
	s.to = len(p.places)
	n := float64(s.to - s.from)
	s.mean /= n
	s.u = p.repeat * math.Sqrt(variance) / n
	p.sections = append(p.sections, s)
}

// median returns the median of raw[i:j], the readings of one place, sorted by size.
func (p *profile) median(i, j int) float64 {
	lo, hi := p.raw[(i+j-1)/2].Size, p.raw[(i+j)/2].Size
	return (p.above(lo) + p.above(hi)) / 2
}

func (p *profile) above(l analysis.Length) float64 { return (l - p.base).Micrometres() }

// medianVariance returns the variance of the median of n values of a normal distribution of unit
// variance. Up to 8 values it comes from integrating the order statistics. Above 8 values it is the
// asymptote π/2n, which is an upper bound.
func medianVariance(n int) float64 {
	exact := [...]float64{1: 1, 2: 0.5, 3: 0.448671, 4: 0.298212, 5: 0.286834, 6: 0.214770, 7: 0.210447, 8: 0.168224}
	if n < len(exact) {
		return exact[n]
	}
	return math.Pi / 2 / float64(n)
}

// centre sets each section's z. It halves exact lengths, so that a part turned end for end gives the
// same numbers with opposite signs.
func (p *profile) centre() {
	for i := range p.sections {
		ends := p.sections[0].depth + p.sections[len(p.sections)-1].depth
		p.sections[i].z = float64(2*p.sections[i].depth-ends) / float64(2*analysis.Millimetre)
	}
}

// span returns the gauged length in mm.
func (p *profile) span() float64 { return 2 * p.sections[len(p.sections)-1].z }

// length returns v µm above base as an exact length.
func (p *profile) length(v float64) analysis.Length {
	l, err := analysis.FromMicrometres(v)
	if err != nil {
		return p.base
	}
	return p.base + l
}

// extremes sets the sizes of the sections, and the smallest and largest size of all.
func (r *Result) extremes(p *profile) {
	if len(p.raw) == 0 {
		return
	}
	small, large, mean := p.raw[0], p.raw[0], 0.0
	r.Sections = make([]Section, len(p.sections))
	for i, s := range p.sections {
		raw := p.raw[s.rawFrom:s.rawTo]
		out := Section{Depth: s.depth, Mean: p.length(s.mean), Min: raw[0].Size, Max: raw[0].Size, N: len(raw)}
		for _, l := range raw {
			out.Min, out.Max = min(out.Min, l.Size), max(out.Max, l.Size)
			if l.Size < small.Size {
				small = l
			}
			if l.Size > large.Size {
				large = l
			}
		}
		u, _ := analysis.FromMicrometres(s.u)
		out.U = analysis.Deviation(u)
		r.Sections[i] = out
		mean += s.mean
	}
	r.Smallest, r.Largest = &small, &large
	r.Variation = analysis.Deviation(large.Size - small.Size)
	r.Mean = p.length(mean / float64(len(p.sections)))
}
