package master

import (
	"math"
	"slices"
	"time"

	"fairbore/analysis"
)

const (
	windowSamples  = 24 // samples in a window
	keptWindows    = 4  // newest windows that are kept
	maxWild        = 2  // wild values that a window may have
	restGap        = time.Second
	maxRestScatter = 2 // µm, or steps of the display: a gauge that scatters more is not at rest (such gauges have 0.05 to 0.6 µm, common practice)
)

// Resting measures the scatter of a gauge at rest. It uses windows of 24 samples in a row that neither
// drift nor swing, apart from two wild values.
type Resting struct {
	Step analysis.Deviation // step of the gauge's display

	last   time.Duration
	n      int // samples in window
	window [windowSamples]analysis.Length
	kept   [keptWindows]quietWindow
	count  int // windows kept so far
}

// quietWindow is a window at rest, without its wild values.
type quietWindow struct {
	n      int
	values [windowSamples]analysis.Length
	square float64 // sum of squares about a straight line, µm²
}

// Feed takes the next sample.
func (r *Resting) Feed(at time.Duration, v analysis.Length) {
	if at < r.last || at-r.last > restGap {
		r.n = 0
	}
	r.last = at
	r.window[r.n] = v
	if r.n++; r.n < windowSamples {
		return
	}
	if w, ok := r.look(); ok {
		r.kept[r.count%keptWindows] = w
		r.count++
		r.n = 0
		return
	}
	r.n = copy(r.window[:], r.window[windowSamples/2:]) // the gauge may have come to rest midway
}

// Break says that the next sample does not belong to the same rest.
func (r *Resting) Break() { r.n = 0 }

// look judges the window.
func (r *Resting) look() (w quietWindow, ok bool) {
	sorted := r.window
	slices.Sort(sorted[:])
	middle := sorted[windowSamples/2]
	for i, v := range sorted {
		sorted[i] = (v - middle).Abs()
	}
	slices.Sort(sorted[:])
	// 1.4826 times the median deviation is the standard deviation of normal scatter.
	far := 9*sorted[windowSamples/2] + 2*analysis.Length(r.Step)
	var x, y [windowSamples]float64
	for i, v := range r.window {
		if (v - middle).Abs() <= far {
			w.values[w.n], x[w.n], y[w.n] = v, float64(i), (v - middle).Micrometres()
			w.n++
		}
	}
	if w.n < windowSamples-maxWild {
		return w, false
	}
	slope := straighten(x[:w.n], y[:w.n])
	var steps float64
	for i, v := range y[:w.n] {
		w.square += v * v
		if i > 0 {
			steps += (v - y[i-1]) * (v - y[i-1])
		}
	}
	step := analysis.Length(r.Step).Micrometres()
	sd := math.Sqrt(w.square / float64(w.n-2))
	if sd > maxRestScatter*max(step, 1) || math.Abs(slope)*windowSamples > step+3*sd {
		return w, false
	}
	// The squared steps of independent values average twice their variance (von Neumann's ratio). For a
	// gauge that averages five samples it is 0.4 times the variance, and for a value that swings far less.
	// A swing within one step of the display is not visible.
	return w, steps >= 0.3*w.square || w.square <= float64(w.n)*step*step
}

// straighten subtracts the least-squares line from y and returns its slope.
func straighten(x, y []float64) (slope float64) {
	n := float64(len(x))
	var mx, my, xx, xy float64
	for i := range x {
		mx, my = mx+x[i]/n, my+y[i]/n
	}
	for i := range x {
		xx, xy = xx+(x[i]-mx)*(x[i]-mx), xy+(x[i]-mx)*(y[i]-my)
	}
	slope = xy / xx
	for i := range y {
		y[i] -= my + slope*(x[i]-mx)
	}
	return slope
}

// Noise returns the scatter in the windows at rest. It returns false if there was none.
func (r *Resting) Noise() (analysis.RestNoise, bool) {
	kept := r.kept[:min(r.count, keptWindows)]
	var n analysis.RestNoise
	var square, freedom float64
	for i := range kept {
		n.Samples += kept[i].n
		square, freedom = square+kept[i].square, freedom+float64(kept[i].n-2)
	}
	if n.Samples == 0 {
		return n, false
	}
	step := analysis.Length(max(r.Step, 1)).Micrometres()
	sd := math.Sqrt(square / freedom)
	if sd < 0.8*step {
		sd = coarse(kept, step)
	} else { // rounding by the display adds a variance of step²/12 (Sheppard's correction)
		sd = math.Sqrt(sd*sd - step*step/12)
	}
	n.SD = max(1, analysis.Deviation(math.Round(sd*float64(analysis.Micrometre))))
	return n, true
}

// coarse returns the standard deviation where it is near the display's step or smaller. It is the mean
// weighted by likelihood, from how often each value was shown, over all deviations up to 1.2 steps and
// all positions of the true value within its step.
func coarse(kept []quietWindow, step float64) float64 {
	const fine = 0.04
	var weight, sum float64
	var shares [30]float64 // log likelihood of each deviation
	for k := range shares {
		sd := fine * float64(k+1) // in steps
		for i := range kept {
			shares[k] += math.Log(kept[i].likely(sd, fine, step))
		}
	}
	most := slices.Max(shares[:])
	for k, s := range shares {
		w := math.Exp(s - most)
		weight, sum = weight+w, sum+w*fine*float64(k+1)
	}
	return step * sum / weight
}

// likely returns the likelihood of the values for that deviation, in steps. It averages over true
// values at even distances of part.
func (w *quietWindow) likely(sd, part, step float64) (p float64) {
	var shown [windowSamples]int // how often each value was shown, in steps from the smallest
	low, span := slices.Min(w.values[:w.n]), 0
	for _, v := range w.values[:w.n] {
		k := min(int(math.Round((v-low).Micrometres()/step)), windowSamples-1)
		shown[k]++
		span = max(span, k)
	}
	for at := -0.5 + part/2; at < float64(span)+0.5; at += part {
		log := 0.0
		for k, n := range shown[:span+1] {
			if n > 0 {
				a, b := (float64(k)-0.5-at)/(sd*math.Sqrt2), (float64(k)+0.5-at)/(sd*math.Sqrt2)
				log += float64(n) * math.Log(max((math.Erf(b)-math.Erf(a))/2, 1e-12))
			}
		}
		p += math.Exp(log) * part
	}
	return max(p, 1e-300)
}
