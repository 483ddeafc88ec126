package uncertainty

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
)

// maxExcess is the largest tolerated excess of the GUM's expanded uncertainty over the one that the
// distribution needs, as a share of the latter. With two rectangular components as large as the
// rest, such as a drift and a temperature, k = 2 is 2.3 % too large.
const maxExcess = 0.024

// propagated returns the expanded uncertainty to state, in µm. It returns the GUM's k × u where the
// distribution of the result confirms it (JCGM 101:2008, clause 8). Otherwise it returns the
// uncertainty that the distribution needs, perhaps with a small excess, and by is true. wide is the
// factor by which Student's t widens k.
//
// The result is never less than the distribution needs. It also never falls when a cause of error
// grows. For that reason the tolerated excess does not end at maxExcess at once: it falls by half
// of the amount by which k × u exceeds maxExcess.
//
// The table shows by how many percent U exceeds half the interval of 1,000,000 draws about the
// estimate. The first figure is for k × u, the second for U as stated (TestMonteCarlo_Half -v, seed
// 14254; the draws scatter by 0.1):
//
//	sleeve                 +2.2  +2.2      products of 100 mm        −7.1  +0.1
//	tube, warm             +0.9  +0.9      products of 300 mm       −10.5  +0.1
//	a coarse gauge         +0.3  +0.3      the same, from 23 °C     −11.7  +0.1
//	no thermometer         +4.3  +1.5      display of 2.54 µm       +10.3  +0.0
//	carbide ring, ±6 K     +7.7  −0.1      and nothing else         +19.5  +0.0
//	difference             +0.1  +0.1      difference by it          +3.8  +1.9
func (b *Budget) propagated(u, k, wide, level float64) (expanded float64, by bool) {
	d, ok := b.distribution(u)
	if !ok {
		return k * u, false
	}
	need := wide * d.half(level)
	over := k*u/need - 1
	if over > -1e-6 && over <= maxExcess {
		return k * u, false
	}
	return need * (1 + max(0, min(over, maxExcess-(over-maxExcess)/2))), true
}

// distribution is the distribution of a result's error, given as its characteristic function. phi
// holds the real part at step, 2 × step and so on. The imaginary part distinguishes errors above
// and below the estimate. An interval about the estimate does not need it.
type distribution struct {
	step float64 // per µm
	phi  []float64
	u    float64 // µm
}

// The grid of the characteristic function. A sum over the grid gives a distribution that repeats
// every period × u, so probability beyond half a period counts as lying within. The grid ends at
// ends / σ, where σ is the combined standard deviation of the normal components. There they have
// reduced the function to 1e-8. Where σ is below 2 × least × u, up to least × u is added to it in
// quadrature. That makes U at most 0.2 % larger.
const (
	period = 20
	ends   = 6
	least  = 0.05
)

// distribution works out the distribution of the result's error from the distributions of the
// components, not only from their standard uncertainties (JCGM 101:2008, clauses 5 and 6). It
// multiplies characteristic functions instead of drawing random numbers. A component with degrees of
// freedom counts as normal.
//
// In a product one factor must be rectangular and the other normal. For each value of the
// rectangular factor the result is normal about a mean. The function adds up these normal
// distributions. There may be two rectangular factors, and neither may be correlated. For other
// models the function reports false.
func (b *Budget) distribution(u float64) (distribution, bool) {
	m, ok := b.mixture()
	if !ok || !(u > 0) {
		return distribution{}, false
	}
	free := 0.0 // variance of the normal components outside the mixture
	var flat []*Component
	for i := range b.Components {
		switch l := &b.Components[i]; {
		case slices.Contains(m.factors, l) || slices.Contains(m.normals, l):
		case l.Distribution == Normal || l.Distribution == T:
			free += l.signedContribution() * l.signedContribution()
		case l.signedContribution() != 0:
			flat = append(flat, l)
		}
	}
	if len(m.factors) == 0 {
		free += m.at([2]float64{}).variance
		m = mixture{}
	}
	free += max(0, least*least*u*u-free/4)
	d := distribution{step: 2 * math.Pi / (period * u), u: u}
	d.phi = make([]float64, int(math.Ceil(ends/(math.Sqrt(free)*d.step))))
	for _, p := range m.parts(free) {
		p.add(d.phi, d.step)
	}
	for i := range d.phi {
		for _, l := range flat {
			d.phi[i] *= l.characteristic(float64(i+1) * d.step)
		}
	}
	return d, true
}

// half returns the half width of the interval about the estimate that holds a share of the results,
// µm.
func (d *distribution) half(level float64) float64 {
	lo, hi := 0.0, period/4*d.u
	for range 60 {
		mid := (lo + hi) / 2
		if d.within(mid) < level {
			lo = mid
		} else {
			hi = mid
		}
		if hi-lo < 1e-9*hi {
			break
		}
	}
	return hi
}

// within returns the share of results within ± half µm of the estimate. The share is the integral
// of φ(s) sin(s half) / (π s) over all s, computed as a sum.
func (d *distribution) within(half float64) float64 {
	sum := half / 2
	turn := 2 * math.Cos(d.step*half)
	before, now := 0.0, math.Sin(d.step*half)
	for i, phi := range d.phi {
		sum += phi * now / (float64(i+1) * d.step)
		before, now = now, turn*now-before
	}
	return 2 * d.step / math.Pi * sum
}

// characteristic returns the characteristic function of a component that is not normal, at s per µm of
// the result.
func (l *Component) characteristic(s float64) float64 {
	n := max(1, l.Independent)
	v := 0.0
	switch x := s * l.signedContribution() / math.Sqrt(float64(n)); l.Distribution {
	case Rectangular:
		v = sinc(x * math.Sqrt(3))
	case Triangular:
		v = sinc(x * math.Sqrt(6) / 2)
		v *= v
	case UShaped:
		v = math.J0(x * math.Sqrt2)
	}
	return math.Pow(v, float64(n))
}

func sinc(x float64) float64 {
	if math.Abs(x) < 1e-4 {
		return 1 - x*x/6
	}
	return math.Sin(x) / x
}

// normal is one term of a mixture.
type normal struct{ weight, mean, variance float64 }

// add adds the real part of the term's characteristic function, weight × cos(s mean) × exp(−s²
// variance / 2), at step, 2 × step and so on. It computes each value from the previous values.
func (p *normal) add(phi []float64, step float64) {
	turn := 2 * math.Cos(step*p.mean)
	before, now := 1.0, turn/2
	q := math.Exp(-step * step * p.variance)
	fall, falling := p.weight*math.Sqrt(q), q*math.Sqrt(q)
	for i := range phi {
		phi[i] += fall * now
		before, now = now, turn*now-before
		fall *= falling
		falling *= q
	}
}

// mixture holds the components that are in products or correlated: the rectangular factors, which
// may be none, and the normal components. For given values of the factors the result is normal.
type mixture struct {
	factors, normals []*Component
	by               [2][]float64 // what a unit of each factor adds to the sensitivity to each normal component
	correlations     []correlated
}

type correlated struct {
	a, b int // indices into normals
	r    float64
}

// mixture collects the components that are in products or correlated. It returns false if they are
// not rectangular factors and normal components.
func (b *Budget) mixture() (m mixture, ok bool) {
	in := map[string]int{} // index of a normal component
	factors := map[string]int{}
	names := make([]string, 0, 2*(len(b.Products)+len(b.Correlations)))
	for _, p := range b.Products {
		names = append(names, p.A, p.B)
	}
	for _, c := range b.Correlations {
		names = append(names, c.A, c.B)
	}
	for i := range b.Components {
		switch l := &b.Components[i]; {
		case !slices.Contains(names, l.Name):
		case l.Distribution == Normal:
			in[l.Name] = len(m.normals)
			m.normals = append(m.normals, l)
		case l.Distribution == Rectangular && len(m.factors) < len(m.by):
			factors[l.Name] = len(m.factors)
			m.factors = append(m.factors, l)
		default:
			return m, false
		}
	}
	for f := range m.factors {
		m.by[f] = make([]float64, len(m.normals))
	}
	for _, p := range b.Products {
		f, first := factors[p.A]
		n, second := in[p.B]
		if !first {
			f, first = factors[p.B]
			n, second = in[p.A]
		}
		if !first || !second {
			return m, false
		}
		m.by[f][n] += p.Coefficient
	}
	for _, c := range b.Correlations {
		i, first := in[c.A]
		j, second := in[c.B]
		if !first || !second {
			return m, false
		}
		m.correlations = append(m.correlations, correlated{i, j, c.R})
	}
	return m, true
}

// parts returns the mixture as normal distributions, each with the variance free added. It integrates
// over the factors by Gauss-Legendre quadrature.
func (m *mixture) parts(free float64) []normal {
	x, w := [2][]float64{{0}, {0}}, [2][]float64{{1}, {1}}
	for f, l := range m.factors {
		half := l.Standard * math.Sqrt(3)
		if half == 0 {
			continue
		}
		n := nodes(ends * half * math.Abs(l.Sensitivity) / math.Sqrt(free))
		x[f], w[f] = make([]float64, n), make([]float64, n)
		quad.Legendre{}.FixedLocations(x[f], w[f], -half, half)
		for i := range w[f] {
			w[f][i] /= 2 * half
		}
	}
	parts := make([]normal, 0, len(x[0])*len(x[1]))
	for i := range x[0] {
		for j := range x[1] {
			p := m.at([2]float64{x[0][i], x[1][j]})
			p.weight, p.variance = w[0][i]*w[1][j], p.variance+free
			parts = append(parts, p)
		}
	}
	return parts
}

// nodes returns the number of nodes that integrate a cosine over an angle on each side of the
// middle. The number is half the angle and some more. It is a multiple of 8, because the library's
// rule with 26 nodes is wrong (TestNodes).
func nodes(angle float64) int { return 8 * int(math.Ceil((angle/2+8)/8)) }

// at returns the distribution for given values of the factors.
func (m *mixture) at(at [2]float64) (p normal) {
	part := func(n int) float64 { // of a normal component
		c := m.normals[n].Sensitivity
		for f := range m.factors {
			c += m.by[f][n] * at[f]
		}
		return c * m.normals[n].Standard
	}
	for f, l := range m.factors {
		p.mean += l.Sensitivity * at[f]
	}
	for n := range m.normals {
		p.variance += part(n) * part(n)
	}
	for _, c := range m.correlations {
		p.variance += 2 * c.r * part(c.a) * part(c.b)
	}
	p.variance = max(p.variance, 0)
	return p
}
