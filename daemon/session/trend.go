package session

import (
	"math"

	"fairbore/analysis"
)

// trend is a linear model of values along a bore. It can predict before it has any values:
//
// y = m + t·z + b·z² + c·cos 2a + s·sin 2a + e
//
// where z is the depth, from -1 at the first section to 1 at the last, a is the angle, and e has
// the standard deviation local. The coefficients have normal prior distributions, which each value
// narrows (Bayesian linear regression, by the normal equations).
type trend struct {
	middle, half float64 // of the depths, mm
	local        float64
	mean, weight float64               // prior mean of m, and its precision
	a            [terms][terms]float64 // precision of the coefficients
	b            [terms]float64
	yy           float64
	n            int
}

const terms = 5

// newTrend returns a trend with the prior mean and standard deviation of m, and the standard
// deviations of t, b, c and s around 0.
func (s *Session) newTrend(mean, u float64, form [4]float64, local float64) trend {
	sections := s.fold.Job.Sections
	first, last := sections[0], sections[0]
	for _, d := range sections {
		first, last = min(first, d), max(last, d)
	}
	g := trend{middle: millimetres(first+last) / 2, half: max(millimetres(last-first)/2, 1e-3), local: max(local, 1e-3)}
	g.mean, g.weight = mean, 1/max(u*u, 1e-6)
	g.a[0][0], g.b[0], g.yy = g.weight, mean*g.weight, mean*mean*g.weight
	for i, sd := range form {
		g.a[i+1][i+1] = 1 / (sd * sd)
	}
	return g
}

func (g *trend) row(p analysis.Place) [terms]float64 {
	z := (millimetres(p.Depth) - g.middle) / g.half
	sin, cos := math.Sincos(2 * p.Angle.Degrees() * math.Pi / 180)
	return [terms]float64{1, z, z * z, cos, sin}
}

func millimetres(l analysis.Length) float64 { return l.Micrometres() / 1000 }

// add takes in a value at a place.
func (g *trend) add(p analysis.Place, y float64) {
	x, w := g.row(p), 1/(g.local*g.local)
	for i := range x {
		for k := range x {
			g.a[i][k] += w * x[i] * x[k]
		}
		g.b[i] += w * x[i] * y
	}
	g.yy += w * y * y
	g.n++
}

// priorWeight is how many values the stated standard deviations are worth.
const priorWeight = 4.0

// predict returns the mean of a value at a place and its standard deviation. The deviation grows if
// the values so far fit worse than the stated deviations of form and local allow.
func (g *trend) predict(p analysis.Place) (mean, u float64) {
	l := g.a // Cholesky's factor
	for i := range l {
		for k := range i + 1 {
			for j := range k {
				l[i][k] -= l[i][j] * l[k][j]
			}
			if i == k {
				l[i][i] = math.Sqrt(max(l[i][i], 1e-12))
			} else {
				l[i][k] /= l[k][k]
			}
		}
	}
	half := func(v [terms]float64) [terms]float64 {
		for i := range v {
			for j := range i {
				v[i] -= l[i][j] * v[j]
			}
			v[i] /= l[i][i]
		}
		return v
	}
	x, b, first := half(g.row(p)), half(g.b), half([terms]float64{1})
	v, fit, m := g.local*g.local, 0.0, -g.mean
	for i := range x {
		mean += x[i] * b[i]
		v += x[i] * x[i]
		fit += b[i] * b[i]
		m += first[i] * b[i]
	}
	// Chi squared of the values, and of the coefficients against their priors. m is left out: how
	// much honing removed says nothing about how evenly it did.
	misfit := max(0, g.yy-fit-m*m*g.weight)
	return mean, math.Sqrt(v * max(1, (priorWeight+misfit)/(priorWeight+float64(g.n))))
}
