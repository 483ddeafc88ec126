package capture_test

import (
	"math"
	"slices"

	"fairbore/analysis/capture"
	"fairbore/drivers/simulator"

	"gonum.org/v1/gonum/mat"
)

// bound is the Cramér-Rao bound of the standard deviation of the size, µm, for
// one who has the same samples and knows how the hand was simulated: that each
// swing is a cosine between two ends, warped by a dwell and a skew that scatter
// as they were drawn, with a tremor that is white from sample to sample. Unknown
// are the size, and of each end its time, tilt, dwell and skew. The information
// is summed numerically; what is known of dwell and skew is added to it, so it
// is the bound for one who knows their spread (van Trees). 0 if there is none.
func bound(p simulator.Params, points []simulator.Point, tr simulator.Truth, r capture.Result) float64 {
	keys := tr.Tilt.Keys
	first := slices.IndexFunc(keys, func(k simulator.Key) bool { return k.T > r.Since.Seconds() }) - 1
	last := slices.IndexFunc(keys, func(k simulator.Key) bool { return k.T > r.At.Seconds() })
	if first < 0 || last < 0 {
		return 0
	}
	path := simulator.Path{Keys: slices.Clone(keys[first : last+1])}
	n := 1 + 4*len(path.Keys)
	info := mat.NewSymDense(n, nil)
	c := float64(p.Size-2*p.Gauge.Tip) / float64(simulator.Micrometre)
	row := make([]float64, n)
	for _, q := range points {
		t := q.T.Seconds()
		if t < path.Keys[0].T || q.T > r.At {
			continue
		}
		tilt := path.Smooth(t)
		variance := sq(sigma(p.Gauge)) + sq(c*math.Tan(tilt)*p.Tremor)
		row[0] = 1
		for i := range path.Keys {
			for j := range 4 {
				row[1+4*i+j] = slope(&path, i, j, t, c)
			}
		}
		info.SymRankOne(info, 1/variance, mat.NewVecDense(n, row))
	}
	for i := range path.Keys {
		for j, sd := range [4]float64{0.3, 0.03, 0.1, max(p.Skew, 0.005)} {
			k := 1 + 4*i + j
			info.SetSym(k, k, info.At(k, k)+1/sq(sd))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(info) {
		return 0
	}
	var inverse mat.SymDense
	if err := chol.InverseTo(&inverse); err != nil {
		return 0
	}
	return math.Sqrt(inverse.At(0, 0))
}

func sq(x float64) float64 { return x * x }

// slope is the derivative of the shown value by parameter j of key i, by
// central difference.
func slope(path *simulator.Path, i, j int, t, c float64) float64 {
	const h = 1e-6
	k := &path.Keys[i]
	param := [4]*float64{&k.T, &k.V, &k.Dwell, &k.Skew}[j]
	was := *param
	*param = was + h
	up := path.Smooth(t)
	*param = was - h
	down := path.Smooth(t)
	*param = was
	return c * (1/math.Cos(up) - 1/math.Cos(down)) / (2 * h)
}
