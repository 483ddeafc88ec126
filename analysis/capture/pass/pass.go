// Package pass fits one pass of a rocked gauge through square. The fit gives the size at which the
// samples turn, its uncertainty, and whether the gauge went through square or turned back before
// it.
//
// A gauge with contacts of radius r that is tilted by θ in a bore of diameter D shows
//
//	v(t) = S + k·(sec θ − 1) + e,   k = D − 2·r
//
// With z = ±√(k·(sec θ − 1)) that is S + z² + e. The fit assumes only that z is smooth and changes
// its sign where the gauge goes through square: z‴ + ω²·z′ is white noise of density q. The
// frequency ω is that of a harmonic hand with the same time between passes; a lower and a higher
// frequency are tried too ([FrequencyRatios]). The density q has a prior in units of A²·ω⁵, where
// A² is the height of the pass. q is estimated together with z. k only scales z.
//
// The fit is that of a Gaussian process by Gauss and Newton, linearised about the posterior. With
// mean z̄ and variance P, E(z²) = z̄² + P, so v + z̄² − P = S + 2·z̄·z + e. The operator that
// annihilates 1, cos ωt and sin ωt has four terms at uneven times, so all matrices are banded. The
// weights are those of Student's distribution, against stale and wild values.
//
// Package rock finds the passes in a stream and judges the fits.
package pass

import "math"

// MaxSamples is the largest number of samples in a fit.
const MaxSamples = 72

// minSamples is the smallest number of samples in a fit.
const minSamples = 5

// Sample is the gauge's value at one time.
type Sample struct {
	T float64 // s
	V float64 // µm
}

// Noise describes the scatter of samples.
type Noise struct {
	Sigma float64 // standard deviation of a value, including the rounding of the display, µm
	Time  float64 // standard deviation of a time stamp, s
}

// FrequencyRatios are the frequencies of the hand that are tried, relative to a harmonic motion
// with as many passes. A ratio below 1 is for a hand that moves evenly, and a ratio above 1 for a
// hand that rests at the ends of its swings.
var FrequencyRatios = [3]float64{0.2, 1, 2}

// TurnHeights are the heights above square, µm, at which a hand may have turned back instead of going
// through square.
var TurnHeights = [4]float64{1, 4, 15, 60}

// The constants of the model. They were chosen on one half of the recorded hands and simulated
// families, the half that is set aside for choosing (see SCORE.md in the parent folder).
const (
	roughnessPrior = 6.0 // number of observations that the prior of the roughness is worth
	roughnessBack  = 4.0 // roughness of a hand that turns back, as a multiple of that of a hand that goes through
	errorFreedom   = 4.0 // degrees of freedom of a sample's error
)

// startParameters is the number of values from which a smooth motion starts: place, speed and
// acceleration.
const startParameters = 3

// TypicalRoughness is the roughness of a typical hand, q/(A²·ω⁵). The median of gyroscope
// recordings of ten people is 0.4 to 1.
const TypicalRoughness = 1.0

// Fit is the result of fitting one pass.
type Fit struct {
	// Size is the size and U its standard uncertainty, µm. Evidence is the log likelihood of the
	// samples. Each has one value for each of [FrequencyRatios].
	Size, U, Evidence [len(FrequencyRatios)]float64
	CrossedAt         float64 // time at which the gauge was square, s
	Speed             float64 // |dz/dt| at that time, µm^½/s
	RelativeSpeed     float64 // Speed divided by the mean speed of z from the first sample to the last
	Height            float64 // A²: mean height of the two sides, µm
	LogRoughness      float64 // ln(q/(A²·ω⁵))
	Misfit            float64 // mean square residual, in standard deviations
	// LogOdds is the log likelihood ratio for going through square against turning back, at each
	// height of [TurnHeights]. LogOddsTwice is the same against a hand that turns back at its own
	// pace, and so swings twice as fast.
	LogOdds, LogOddsTwice [len(TurnHeights)]float64
}

// Workspace holds the memory of a fit. It may be used again.
type Workspace struct {
	n      int
	t, v   [MaxSamples]float64
	apart  [MaxSamples]float64 // 1 / the time from the previous sample to the next one
	hands  [len(FrequencyRatios)]hand
	s2, e2 [MaxSamples]float64 // variance of a sample; the squared error of the sample divided by that variance
	a      [MaxSamples]row     // the precision matrix: entry (i, i-d)
	l      [MaxSamples + 3]row // the factors of the precision matrix: L (d > 0) and D (d = 0)
	d      [MaxSamples]float64 // 1/D
	c      [MaxSamples]row     // covariance near the diagonal: entry (i+d, i)
	p      [MaxSamples]float64 // posterior variance of z
	// z is the posterior mean. x and y are the right sides and the solutions, x for the samples and
	// y for the size.
	z, x, y [MaxSamples + 3]float64
}

// row is a row of a symmetric matrix with bandwidth three, indexed by the distance from the diagonal.
// Three rows of zeros follow the last one.
type row = [4]float64

// hand is the prior of a hand for q = 1: Σ h·(Lz)². L is the operator of four terms that
// annihilates 1, cos ωt and sin ωt, scaled so that L(t³/6) = 1.
type hand struct {
	prior [MaxSamples + 3]row // entry (i, i-d)
	jac   float64             // log determinant of the map from z to white noise
}

// Fit fits the samples of one pass, in order of time, from about one end of the swing to the other.
// omega is the frequency of a harmonic hand with the same time between passes, rad/s. rough is the
// prior of the roughness of the hand. Fit reports false if the samples are too few or do not fit at
// all.
func (w *Workspace) Fit(s []Sample, noise Noise, omega, rough float64) (f Fit, ok bool) {
	lowest, ok := w.load(s)
	if !ok {
		return f, false
	}
	left, right := 0.0, 0.0
	for i, v := range w.v[:w.n] {
		if h := v - w.v[lowest]; i < lowest {
			left = max(left, h)
		} else {
			right = max(right, h)
		}
	}
	f.Height = (left + right) / 2
	if f.Height <= 0 {
		return f, false
	}
	for i, v := range w.v[:w.n] {
		w.z[i] = math.Sqrt(v - w.v[lowest])
		if i < lowest {
			w.z[i] = -w.z[i]
		}
	}
	unit := f.Height * math.Pow(omega, 5)
	size := w.v[lowest]
	best := math.Inf(-1)
	for _, i := range [...]int{1, 0, 2} { // the harmonic hand comes first, as the others start from its result
		w.hands[i].set(w.t[:w.n], FrequencyRatios[i]*omega)
		r := w.run(&w.hands[i], noise, size, rough*unit, true)
		if !r.ok() {
			if i == 1 {
				return f, false
			}
			f.Size[i], f.U[i], f.Evidence[i] = f.Size[1], f.U[1], math.Inf(-1)
			continue
		}
		f.Size[i], f.U[i], f.Evidence[i] = r.size, r.u, r.evidence
		if i == 1 {
			size, f.LogRoughness, f.Misfit = r.size, math.Log(r.q/unit), r.misfit
			w.crossing(&f)
		}
		best = max(best, r.evidence)
	}
	for i, up := range TurnHeights {
		far := math.Sqrt(up+f.Height) - math.Sqrt(up) // how far z goes for a hand that turns back at this height
		q := roughnessBack * rough * unit / f.Height * far * far
		// A smooth motion starts anywhere and at any speed within its range. So the prior of z is narrower for
		// a motion that goes less far.
		wide := startParameters * math.Log(math.Sqrt(f.Height)/far)
		f.LogOdds[i] = best - wide - w.turned(&w.hands[1], noise, size-up, q)
		f.LogOddsTwice[i] = best - wide - w.turned(&w.hands[2], noise, size-up, 8*q) // half the amplitude, twice the frequency
	}
	return f, true
}

// load takes the samples, except a sample with the time of the sample before. It returns the index
// of the lowest sample.
func (w *Workspace) load(s []Sample) (lowest int, ok bool) {
	w.n = 0
	for _, x := range s {
		if w.n > 0 && x.T-w.t[w.n-1] < 1e-3 {
			continue
		}
		if w.n == MaxSamples {
			return 0, false
		}
		w.t[w.n], w.v[w.n] = x.T, x.V
		if x.V < w.v[lowest] {
			lowest = w.n
		}
		w.n++
	}
	if w.n < minSamples {
		return 0, false
	}
	for i := range w.n {
		w.apart[i] = 1 / (w.t[min(w.n-1, i+1)] - w.t[max(0, i-1)])
	}
	w.pad()
	return lowest, true
}

// pad writes zeros after the last sample.
func (w *Workspace) pad() {
	for i := w.n; i < w.n+3; i++ {
		w.z[i], w.x[i], w.y[i], w.l[i] = 0, 0, 0, row{}
	}
}

// crossing finds the time at which z changes its sign, and its speed at that time.
func (w *Workspace) crossing(f *Fit) {
	for i := 1; i < w.n; i++ {
		if a, b := w.z[i-1], w.z[i]; a < 0 && b >= 0 {
			f.Speed = (b - a) / (w.t[i] - w.t[i-1])
			f.CrossedAt = w.t[i-1] - a/f.Speed
			f.RelativeSpeed = f.Speed * (w.t[w.n-1] - w.t[0]) / (w.z[w.n-1] - w.z[0])
		}
	}
}

// turned returns the evidence of a hand that turns back before square, for a bore of the given
// size.
func (w *Workspace) turned(h *hand, noise Noise, size, q float64) float64 {
	for i, v := range w.v[:w.n] {
		w.z[i] = math.Sqrt(max(0.04, v-size))
	}
	r := w.run(h, noise, size, q, false)
	if !r.ok() {
		return math.Inf(-1)
	}
	return r.evidence
}

// set computes the prior of a hand of frequency omega at the times t.
func (h *hand) set(t []float64, omega float64) {
	clear(h.prior[:len(t)+3])
	scale := product{p: 1}
	for i := 0; i+3 < len(t); i++ {
		c := operator(t[i:i+4], omega)
		width := (t[i+3] - t[i]) / 3
		scale.times(math.Abs(c[3]))
		for a := range 4 {
			for d := 0; d <= a; d++ {
				h.prior[i+a][d] += width * c[a] * c[a-d]
			}
		}
	}
	h.jac = scale.log()
}

// operator returns the four terms of L at the times t.
func operator(t []float64, omega float64) (c [4]float64) {
	mid := (t[0] + t[1] + t[2] + t[3]) / 4
	var x, f, g [4]float64
	for k := range x {
		x[k] = t[k] - mid
		if omega*(t[3]-t[0]) < 0.02 {
			f[k], g[k] = x[k], x[k]*x[k]
			continue
		}
		sin, cos := math.Sincos(omega * x[k])
		f[k], g[k] = sin/omega, 2*(1-cos)/(omega*omega)
	}
	minor := func(i, j, k int) float64 {
		return f[j]*g[k] - f[k]*g[j] - f[i]*g[k] + f[k]*g[i] + f[i]*g[j] - f[j]*g[i]
	}
	c = [4]float64{minor(1, 2, 3), -minor(0, 2, 3), minor(0, 1, 3), -minor(0, 1, 2)}
	unit := 0.0
	for k := range c {
		unit += c[k] * x[k] * x[k] * x[k] / 6
	}
	for k := range c {
		c[k] /= unit
	}
	return c
}
