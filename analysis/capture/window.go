package capture

import "math"

// window is a run of samples that all lie within a range of one another,
// oldest first, in a ring.
type window struct {
	ring    [windowCap]sample
	head, n int
}

func (w *window) clear() { w.head, w.n = 0, 0 }

func (w *window) at(i int) sample { return w.ring[(w.head+i)%windowCap] }

// push adds x and drops the oldest samples until the rest lie within width of
// one another and within age of x.
func (w *window) push(x sample, width, age float64) {
	if w.n == windowCap {
		w.drop(1)
	}
	w.ring[(w.head+w.n)%windowCap] = x
	w.n++
	lo, hi := x.v, x.v
	keep := 1
	for ; keep < w.n; keep++ {
		p := w.at(w.n - 1 - keep)
		lo, hi = min(lo, p.v), max(hi, p.v)
		if hi-lo > width || x.t-p.t > age {
			break
		}
	}
	w.drop(w.n - keep)
}

func (w *window) drop(k int) { w.head, w.n = (w.head+k)%windowCap, w.n-k }

// span is the time that the run has lasted, s.
func (w *window) span() float64 {
	if w.n == 0 {
		return 0
	}
	return w.at(w.n-1).t - w.at(0).t
}

// slope fits a line by least squares. u is its standard uncertainty from the
// scatter about it or from the noise known, whichever is more. Both µm/s.
func (w *window) slope(noise float64) (b, u float64) {
	n := float64(w.n)
	var st, sv float64
	for i := range w.n {
		p := w.at(i)
		st, sv = st+p.t, sv+p.v
	}
	mt, mv := st/n, sv/n
	var stt, stv, svv float64
	for i := range w.n {
		p := w.at(i)
		stt += (p.t - mt) * (p.t - mt)
		stv += (p.t - mt) * (p.v - mv)
		svv += (p.v - mv) * (p.v - mv)
	}
	if stt <= 0 || w.n < 3 {
		return 0, math.MaxFloat64
	}
	b = stv / stt
	rest := max(0, svv-b*stv) / (n - 2)
	return b, math.Sqrt(max(rest, noise*noise) / stt)
}

// mean averages the samples of the last over seconds (and at least half of the
// run); u is its standard uncertainty, sd the scatter of the samples. Samples
// closer together than the hand's sway count as one for the scatter that is
// more than the gauge's own.
func (w *window) mean(over, noise float64) (mean, u, sd float64) {
	end := w.at(w.n - 1).t
	over = max(over, w.span()/2)
	k, sum := 0, 0.0
	for ; k < w.n; k++ {
		p := w.at(w.n - 1 - k)
		if end-p.t > over && k >= levelFewest {
			break
		}
		sum += p.v
	}
	n := float64(k)
	mean = sum / n
	var ss float64
	for i := range k {
		d := w.at(w.n-1-i).v - mean
		ss += d * d
	}
	variance := ss / (n - 1)
	own := noise * noise
	sway := max(0, variance-own)
	apart := min(n, max(1, (end-w.at(w.n-k).t)/wobble.Seconds()))
	return mean, math.Sqrt(own/n + sway/apart), math.Sqrt(variance)
}

// stuckAfter is how often one value must repeat to be called stuck.
const stuckAfter = 8

// stuck reports whether the latest samples are one value over and over, where a
// gauge that scatters by noise and shows steps of step would have shown
// another: at noise ≥ step two samples agree by chance in 3 of 10 cases, eight
// in a row in 1 of 7000. A display that is steadied inside needs a
// repeatability less than its step in the options.
func (w *window) stuck(noise, step float64) bool {
	if noise < step || w.n < stuckAfter {
		return false
	}
	last := w.at(w.n - 1).v
	for i := 2; i <= stuckAfter; i++ {
		if w.at(w.n-i).v != last {
			return false
		}
	}
	return true
}
