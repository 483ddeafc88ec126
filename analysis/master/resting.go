package master

import (
	"math"
	"slices"
	"time"

	"fairbore/analysis"
)

const (
	restWindow = 24 // samples that are looked at together
	restKept   = 4  // windows that are kept, the newest
	restWild   = 2  // wild values that a window may have
	restGap    = time.Second
	restMost   = 2 // µm, or steps of the display: what scatters by more does not rest (gauges of this trade have 0.05 to 0.6, common practice)
)

// Resting measures how the samples of a gauge scatter, by windows of 24 samples in a row
// during which it rests: their values neither drift nor swing, but for two wild ones.
type Resting struct {
	Step analysis.Deviation // of the gauge's display

	last   time.Duration
	n      int // samples in window
	window [restWindow]analysis.Length
	kept   [restKept]restful
	count  int // windows kept so far
}

// restful is a window at rest, without wild values.
type restful struct {
	n      int
	values [restWindow]analysis.Length
	square float64 // Σ of squares about a straight line, µm²
}

// Feed takes the next sample.
func (r *Resting) Feed(at time.Duration, v analysis.Length) {
	if at < r.last || at-r.last > restGap {
		r.n = 0
	}
	r.last = at
	r.window[r.n] = v
	if r.n++; r.n < restWindow {
		return
	}
	if w, ok := r.look(); ok {
		r.kept[r.count%restKept] = w
		r.count++
		r.n = 0
		return
	}
	r.n = copy(r.window[:], r.window[restWindow/2:]) // it may have come to rest midway
}

// Break says that what comes next is no longer of the same rest.
func (r *Resting) Break() { r.n = 0 }

// look judges the window.
func (r *Resting) look() (w restful, ok bool) {
	sorted := r.window
	slices.Sort(sorted[:])
	middle := sorted[restWindow/2]
	for i, v := range sorted {
		sorted[i] = (v - middle).Abs()
	}
	slices.Sort(sorted[:])
	// 1.4826 times the median deviation is the standard deviation of a normal scatter.
	far := 9*sorted[restWindow/2] + 2*analysis.Length(r.Step)
	var x, y [restWindow]float64
	for i, v := range r.window {
		if (v - middle).Abs() <= far {
			w.values[w.n], x[w.n], y[w.n] = v, float64(i), (v - middle).Micrometres()
			w.n++
		}
	}
	if w.n < restWindow-restWild {
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
	if sd > restMost*max(step, 1) || math.Abs(slope)*restWindow > step+3*sd {
		return w, false
	}
	// Of independent values the squares of their steps are twice their variance (ratio of
	// von Neumann); a gauge that averages five of its samples has 0.4 times it; what
	// swings, far less. Within a step of the display no swing is seen.
	return w, steps >= 0.3*w.square || w.square <= float64(w.n)*step*step
}

// straighten takes the straight line of least squares off y and returns its slope.
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

// Noise returns what the windows at rest tell; false if there was none.
func (r *Resting) Noise() (analysis.RestNoise, bool) {
	kept := r.kept[:min(r.count, restKept)]
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
	} else { // a display's rounding adds a variance of step²/12 (Sheppard's correction)
		sd = math.Sqrt(sd*sd - step*step/12)
	}
	n.SD = max(1, analysis.Deviation(math.Round(sd*float64(analysis.Micrometre))))
	return n, true
}

// coarse returns the standard deviation where it is smaller than the display's step or
// near it: the mean of what is likely, by how often each value was shown, over all
// deviations up to 1.2 steps and all places of the true value within its step.
func coarse(kept []restful, step float64) float64 {
	const fine = 0.04
	var weight, sum float64
	var shares [30]float64 // of each deviation, logarithms
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

// likely returns how likely the values are with that deviation, in steps, of a true value
// that is anywhere as likely, in parts of which it goes.
func (w *restful) likely(sd, part, step float64) (p float64) {
	var shown [restWindow]int // how often, by steps from the smallest
	low, span := slices.Min(w.values[:w.n]), 0
	for _, v := range w.values[:w.n] {
		k := min(int(math.Round((v-low).Micrometres()/step)), restWindow-1)
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
