package study

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// Constants holds the factors of control charts for subgroups of N readings from a normal
// distribution. They are computed, not read from a table. The comments give their usual
// names.
type Constants struct {
	N       int
	Range   float64 // d2: mean range per standard deviation
	RangeSD float64 // d3: standard deviation of the range per standard deviation
	SD      float64 // c4: mean sample standard deviation per standard deviation
	A2, A3  float64 // limits of means from the mean range, mean standard deviation
	D3, D4  float64 // limits of ranges per mean range
	B3, B4  float64 // limits of standard deviations per mean standard deviation
	B5, B6  float64 // the same per standard deviation
	E2      float64 // limits of single readings from the mean range
}

// LargestSubgroup is the largest subgroup that has factors. A range of more than about
// ten readings is a poor measure of spread anyway (common practice).
const LargestSubgroup = 100

// ChartConstants returns the constants for subgroups of 2 to 100 readings. They are exact
// to about 1e-10. The moments of the range come from numerical integration.
// Source: the definitions of d2, d3 and c4 for the normal distribution.
func ChartConstants(n int) (Constants, error) {
	if n < 2 || n > LargestSubgroup {
		return Constants{}, fmt.Errorf("subgroups of %d is out of range: give 2 to %d readings", n, LargestSubgroup)
	}
	c := Constants{N: n, SD: c4(n)}
	c.Range, c.RangeSD = rangeMoments(n)
	root := math.Sqrt(float64(n))
	c.E2 = 3 / c.Range
	c.A2, c.A3 = c.E2/root, 3/(c.SD*root)
	spread := 3 * c.RangeSD / c.Range
	c.D3, c.D4 = max(0, 1-spread), 1+spread
	s := 3 * math.Sqrt(1-c.SD*c.SD)
	c.B5, c.B6 = max(0, c.SD-s), c.SD+s
	c.B3, c.B4 = c.B5/c.SD, c.B6/c.SD
	return c, nil
}

// c4 returns the mean sample standard deviation of n normal readings, as a multiple of
// their true standard deviation: √(2/(n−1)) Γ(n/2)/Γ((n−1)/2).
func c4(n int) float64 {
	a, _ := math.Lgamma(float64(n) / 2)
	b, _ := math.Lgamma(float64(n-1) / 2)
	return math.Sqrt(2/float64(n-1)) * math.Exp(a-b)
}

// rangeMoments returns the mean and standard deviation of the range of n
// standard normal values, from its distribution
//
//	P(R ≤ r) = n ∫ φ(x) (Φ(x+r) − Φ(x))^(n−1) dx
//
// (Tippett 1925). The inner integral is a sum over an even grid. For such a function this
// sum converges faster than any power of the step. The outer integral uses Gauss's rule.
func rangeMoments(n int) (m, sd float64) {
	const (
		step, from, points = 0.25, -9.0, 73
		widest, nodes      = 13.0, 36 // the chance of a range above widest is below 1e-15
	)
	var phi, below [points]float64
	for i := range phi {
		x := from + step*float64(i)
		phi[i] = step * math.Exp(-x*x/2) / math.Sqrt(2*math.Pi)
		below[i] = normal(x)
	}
	r, w := make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(r, w, 0, widest)
	second := 0.0
	for k := range r {
		in := 0.0
		for i := range phi {
			if x := from + step*float64(i); phi[i] > 1e-17 {
				in += phi[i] * power(normal(x+r[k])-below[i], n-1)
			}
		}
		out := 1 - float64(n)*in
		m += w[k] * out
		second += 2 * w[k] * r[k] * out
	}
	return m, squareRoot(second - m*m)
}

// normal is the standard normal distribution function.
func normal(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }

func power(x float64, n int) float64 {
	p := 1.0
	for ; n > 0; n >>= 1 {
		if n&1 == 1 {
			p *= x
		}
		x *= x
	}
	return p
}
