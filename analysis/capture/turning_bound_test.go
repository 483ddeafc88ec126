package capture_test

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"

	"fairbore/analysis/capture"
	"fairbore/drivers/simulator"
)

// bound is the Cramér-Rao bound of the standard deviation of the size, µm, for
// one who has the same samples and knows how the hand was simulated: that each
// swing is a cosine between two ends, warped by a dwell and a skew that scatter
// as they were drawn, with a tremor that is white from sample to sample. Unknown
// are the size, and of each end its time, tilt, dwell and skew. The information
// is summed numerically, each sample as what its display tells ([told]); what is
// known of dwell and skew is added to it, so it is the bound for one who knows
// their spread (van Trees). 0 if there is none.
func bound(p simulator.Params, points []simulator.Point, tr simulator.Truth, r capture.Result) float64 {
	path, ok := rocked(tr, r)
	if !ok {
		return 0
	}
	n := 1 + 4*len(path.Keys)
	info := mat.NewSymDense(n, nil)
	c := (p.Size - 2*p.Gauge.Tip).Micrometres()
	row := make([]float64, n)
	for _, q := range points {
		t := q.T.Seconds()
		if t < path.Keys[0].T || q.T > r.At {
			continue
		}
		tilt := path.Smooth(t)
		spread := math.Hypot(p.Gauge.Noise, c*math.Tan(tilt)*p.Tremor)
		information := telling(p.Gauge.Step.Micrometres(), spread)
		row[0] = 1
		for i := range path.Keys {
			for j := range 4 {
				row[1+4*i+j] = slope(&path, i, j, t, c)
			}
		}
		info.SymRankOne(info, information, mat.NewVecDense(n, row))
	}
	for i := range path.Keys {
		for j, sd := range spreads(p) {
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

// rocked is the motion of the hand from the key before Since to the one after At.
func rocked(tr simulator.Truth, r capture.Result) (simulator.Path, bool) {
	keys := tr.Tilt.Keys
	first := slices.IndexFunc(keys, func(k simulator.Key) bool { return k.T > r.Since.Seconds() }) - 1
	last := slices.IndexFunc(keys, func(k simulator.Key) bool { return k.T > r.At.Seconds() })
	if first < 0 || last < 0 {
		return simulator.Path{}, false
	}
	return simulator.Path{Keys: slices.Clone(keys[first : last+1])}, true
}

// spreads is what is known of time, tilt, dwell and skew of a key: standard deviations.
func spreads(p simulator.Params) [4]float64 { return [4]float64{0.3, 0.03, 0.1, max(p.Skew, 0.005)} }

func sq(x float64) float64 { return x * x }

// telling is told, from a table over the logarithm of s/q, as it is asked for each sample.
func telling(q, s float64) float64 {
	const lowest, fine = -6.0, 20
	x := (math.Log(s/q) - lowest) * fine
	i := int(x)
	if x < 0 || i+1 >= len(toldTable) {
		return told(q, s)
	}
	f := x - float64(i)
	return (toldTable[i]*(1-f) + toldTable[i+1]*f) / sq(s)
}

// toldTable is told(1/x, 1) for the logarithm of x from -6 on, in steps of a twentieth.
var toldTable = func() (t [160]float64) {
	for i := range t {
		t[i] = told(1/math.Exp(-6+float64(i)/20), 1)
	}
	return t
}()

// told is the Fisher information of a normal value of standard deviation s that is
// rounded to steps of q, about its mean, averaged over where the mean lies in a
// step: the sum over the steps of (dP/dμ)²/P (definition), both by numerical
// summation. It is 1/s² for a fine display; for a coarse one 1.81/(s·q), more than
// 12/q², as only samples near an edge tell, but those tell much.
func told(q, s float64) (mean float64) {
	if q < 0.2*s {
		return 1 / (sq(s) + sq(q)/12)
	}
	const n = 200
	reach := int(math.Ceil(6*s/q)) + 1
	for i := range n {
		mu := (float64(i)+0.5)/n*q - q/2
		for k := -reach; k <= reach; k++ {
			lo, hi := (float64(k)-0.5)*q-mu, (float64(k)+0.5)*q-mu
			// by the smaller tail, that the difference does not vanish
			if lo > 0 {
				lo, hi = -hi, -lo
			}
			p := (math.Erfc(-hi/s/math.Sqrt2) - math.Erfc(-lo/s/math.Sqrt2)) / 2
			if p < 1e-12 {
				continue
			}
			d := (math.Exp(-sq(lo/s)/2) - math.Exp(-sq(hi/s)/2)) / (s * math.Sqrt(2*math.Pi))
			mean += sq(d) / p / n
		}
	}
	return mean
}

// slope is the derivative of the shown value by parameter j of key i, by
// central difference.
func slope(path *simulator.Path, i, j int, t, c float64) float64 {
	const h = 1e-6
	param := param(&path.Keys[i], j)
	was := *param
	*param = was + h
	up := path.Smooth(t)
	*param = was - h
	down := path.Smooth(t)
	*param = was
	return c * (1/math.Cos(up) - 1/math.Cos(down)) / (2 * h)
}

// A display finer than the scatter leaves 1/s² (and Sheppard's q²/12); a coarse one
// tells what its edges do: the integral of φ²/Φ(1-Φ), 1.806, over s·q.
func TestTold(t *testing.T) {
	for _, x := range []struct{ q, s, want float64 }{{0.05, 0.3, 11.085}, {0.1, 0.1, 92.31}, {1, 0.05, 36.12}, {2.54, 0.1, 7.11}} {
		if got := told(x.q, x.s); math.Abs(got/x.want-1) > 0.002 {
			t.Errorf("step %g, scatter %g: %g, want %g", x.q, x.s, got, x.want)
		}
	}
}

// param is parameter j of a key: time, tilt, dwell, skew.
func param(k *simulator.Key, j int) *float64 {
	return [4]*float64{&k.T, &k.V, &k.Dwell, &k.Skew}[j]
}
