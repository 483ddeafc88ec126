package settle

import "math"

const (
	maxSamples    = 512  // number of samples kept, which bounds the memory: [Longest] at 170 values/s
	minSamples    = 4    // fewest samples of a level, however slow the stream
	longestRun    = 5.0  // s
	noiseSamples  = 32   // number of samples from which the noise is estimated
	maxNoiseRatio = 5    // observed noise over stated noise: a gauge that scatters more is not at rest
	swayTime      = 0.15 // s, correlation time of motion other than noise: samples closer than this say little new about the level (an assumption)
)

// sample is a value of the gauge: seconds since the visit began, and µm.
type sample struct{ t, v float64 }

// window is a run of samples that all lie within a range of each other, oldest first, in a ring
// buffer. Older samples stay in the ring until they are overwritten.
type window struct {
	ring          [maxSamples]sample
	head, n, past int
}

func (w *window) clear() { w.drop(w.n) }

func (w *window) forget() { w.head, w.n, w.past = 0, 0, 0 }

// at returns sample i of the run. Indices from -past to -1 are the samples before it.
func (w *window) at(i int) sample { return w.ring[(w.head+i+maxSamples)%maxSamples] }

// latest returns the newest sample. There must be one.
func (w *window) latest() sample { return w.at(w.n - 1) }

// push adds x. It drops the oldest samples until the rest lie within width of each other and within
// age of x.
func (w *window) push(x sample, width, age float64) {
	if w.n == maxSamples {
		w.drop(1)
	}
	w.ring[(w.head+w.n)%maxSamples] = x
	w.n++
	w.past = min(w.past, maxSamples-w.n)
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

func (w *window) drop(k int) { w.head, w.n, w.past = (w.head+k)%maxSamples, w.n-k, w.past+k }

// span returns how long the run has lasted, s.
func (w *window) span() float64 {
	if w.n == 0 {
		return 0
	}
	return w.latest().t - w.at(0).t
}

// enough returns how many of the latest samples, over at least settle seconds, tell a slope to
// within limit (µm/s) at the given noise (µm). It returns the number of all samples if they are too
// few. A slope over n samples in a time T has the standard uncertainty noise·√(12/n)/T.
func (w *window) enough(settle, noise, limit float64) int {
	end := w.latest().t
	for k := minSamples; k <= w.n; k++ {
		t := end - w.at(w.n-k).t
		if t >= settle && noise*math.Sqrt(12/float64(k)) <= limit*t {
			return k
		}
	}
	return w.n
}

// slope returns the least-squares slope of the latest k samples, µm/s.
func (w *window) slope(k int) float64 {
	n := float64(k)
	var st, sv float64
	for i := w.n - k; i < w.n; i++ {
		p := w.at(i)
		st, sv = st+p.t, sv+p.v
	}
	mt, mv := st/n, sv/n
	var stt, stv float64
	for i := w.n - k; i < w.n; i++ {
		p := w.at(i)
		stt += (p.t - mt) * (p.t - mt)
		stv += (p.t - mt) * (p.v - mv)
	}
	if stt <= 0 {
		return 0
	}
	return stv / stt
}

// mean averages the samples of the last over seconds. grain is the part of the noise that averaging
// does not reduce, µm. u is the standard uncertainty of the mean without grain, µm. sd is the
// standard deviation of the samples, and span the time that they took, s. If the samples scatter
// more than the noise, samples closer than swayTime count as one sample for the excess.
func (w *window) mean(over, noise, grain float64) (mean, u, sd, span float64) {
	end := w.latest().t
	k, sum := 0, 0.0
	for ; k < w.n; k++ {
		p := w.at(w.n - 1 - k)
		if end-p.t > over && k >= minSamples {
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
	other := max(0, variance-own*n/(n-1)) // less what chance adds with few samples
	span = end - w.at(w.n-k).t
	apart := min(n, max(1, span/swayTime))
	return mean, math.Sqrt((own-grain*grain)/n + other/apart), math.Sqrt(variance), span
}

// noise returns the standard deviation of a sample, µm. This is the known one, or the scatter of
// the latest values if that is larger by more than chance. The scatter is computed from second
// differences, whose variance is six times that of a sample and which hardly show slow motion.
func (w *window) noise(known float64) float64 {
	k := min(w.n-2, noiseSamples)
	if k < minSamples {
		return known
	}
	ss := 0.0
	for i := w.n - k; i < w.n; i++ {
		d := w.at(i).v - 2*w.at(i-1).v + w.at(i-2).v
		ss += d * d
	}
	if seen := math.Sqrt(ss / float64(6*k)); seen > known*(1+1.5/math.Sqrt(float64(k))) {
		return min(seen, maxNoiseRatio*known)
	}
	return known
}

// changes returns how often the value differed from the previous value in the last over seconds.
func (w *window) changes(over float64) (n int) {
	end := w.latest().t
	for i := w.n - 1; i > 0 && (end-w.at(i).t <= over || w.n-i < minSamples); i-- {
		if w.at(i).v != w.at(i-1).v {
			n++
		}
	}
	return n
}

// ahead returns how far the value, as it slowed down, still had to go if its approach was
// exponential, µm. It finds the time constant from two mean speeds: that in the last half of settle
// (s) and that in the half before, or in quarters. It returns 0 if the value moved by no more than
// a step (µm) in the last half.
func (w *window) ahead(settle, step float64) float64 {
	least := math.Inf(1)
	end := w.latest()
	for _, h := range [...]float64{settle / 2, settle / 4} {
		a, ok := w.before(end.t - h)
		b, far := w.before(a.t - h)
		d1, d2 := end.v-a.v, a.v-b.v
		if ok && h == settle/2 && math.Abs(d1) < 1.2*step {
			return 0
		}
		t1, t2 := end.t-a.t, a.t-b.t
		if fall := d2 * t1 / (d1 * t2); far && fall > 1 {
			t := (t1 + t2) / 2 / math.Log(fall)
			least = min(least, math.Abs(d1)/math.Expm1(t1/t))
		}
	}
	return least
}

// before returns the latest sample that is no later than t.
func (w *window) before(t float64) (sample, bool) {
	for i := w.n - 1; i >= -w.past; i-- {
		if x := w.at(i); x.t <= t {
			return x, true
		}
	}
	return sample{}, false
}
