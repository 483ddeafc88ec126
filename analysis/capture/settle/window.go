package settle

import "math"

const (
	mostSamples    = 512  // that are kept, which bounds the memory: [Longest] at 170 values/s
	fewestSamples  = 4    // of a level, however slow the stream
	longestRun     = 5.0  // s
	noiseSamples   = 32   // that tell the noise
	mostNoiseRatio = 5    // of the noise that is seen to that known: what scatters more is no gauge at rest
	swayTime       = 0.15 // s, for which other motion than noise stays alike, so that samples closer than this say little new about the level (an assumption)
)

// sample is a value of the gauge: s since the visit began, µm.
type sample struct{ t, v float64 }

// window is a run of samples that all lie within a range of one another,
// oldest first, in a ring. Those before it stay in the ring until they are overwritten.
type window struct {
	ring          [mostSamples]sample
	head, n, past int
}

func (w *window) clear() { w.drop(w.n) }

func (w *window) forget() { w.head, w.n, w.past = 0, 0, 0 }

// at is sample i of the run; below 0, down to -past, one before it.
func (w *window) at(i int) sample { return w.ring[(w.head+i+mostSamples)%mostSamples] }

// latest is the newest sample; there must be one.
func (w *window) latest() sample { return w.at(w.n - 1) }

// push adds x and drops the oldest samples until the rest lie within width of
// one another and within age of x.
func (w *window) push(x sample, width, age float64) {
	if w.n == mostSamples {
		w.drop(1)
	}
	w.ring[(w.head+w.n)%mostSamples] = x
	w.n++
	w.past = min(w.past, mostSamples-w.n)
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

func (w *window) drop(k int) { w.head, w.n, w.past = (w.head+k)%mostSamples, w.n-k, w.past+k }

// span is the time that the run has lasted, s.
func (w *window) span() float64 {
	if w.n == 0 {
		return 0
	}
	return w.latest().t - w.at(0).t
}

// enough is how many of the latest samples it takes, over at least the time
// settle, to know a slope to within limit (µm/s) with noise (µm); all if there
// are not as many. A slope over n samples in a time T has the standard
// uncertainty noise·√(12/n)/T.
func (w *window) enough(settle, noise, limit float64) int {
	end := w.latest().t
	for k := fewestSamples; k <= w.n; k++ {
		t := end - w.at(w.n-k).t
		if t >= settle && noise*math.Sqrt(12/float64(k)) <= limit*t {
			return k
		}
	}
	return w.n
}

// slope is that of the line through the latest k samples by least squares, µm/s.
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

// mean averages the samples of the last over seconds. u is its standard uncertainty without
// the part grain (µm) of the noise, which no mean reduces; sd is the standard deviation of the
// samples, and span the time they took, s. Where the samples scatter more than the gauge does, those closer together
// than swayTime count as one for the part that is more.
func (w *window) mean(over, noise, grain float64) (mean, u, sd, span float64) {
	end := w.latest().t
	k, sum := 0, 0.0
	for ; k < w.n; k++ {
		p := w.at(w.n - 1 - k)
		if end-p.t > over && k >= fewestSamples {
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
	other := max(0, variance-own*n/(n-1)) // less what chance alone adds to few
	span = end - w.at(w.n-k).t
	apart := min(n, max(1, span/swayTime))
	return mean, math.Sqrt((own-grain*grain)/n + other/apart), math.Sqrt(variance), span
}

// noise is the standard deviation of a sample, µm: that known, or the scatter of the latest values where
// it is larger by more than chance. Second differences have six times its variance, and show
// hardly anything of a slow way.
func (w *window) noise(known float64) float64 {
	k := min(w.n-2, noiseSamples)
	if k < fewestSamples {
		return known
	}
	ss := 0.0
	for i := w.n - k; i < w.n; i++ {
		d := w.at(i).v - 2*w.at(i-1).v + w.at(i-2).v
		ss += d * d
	}
	if seen := math.Sqrt(ss / float64(6*k)); seen > known*(1+1.5/math.Sqrt(float64(k))) {
		return min(seen, mostNoiseRatio*known)
	}
	return known
}

// changes is how often, in the last over seconds, the value differs from the one
// before it.
func (w *window) changes(over float64) (n int) {
	end := w.latest().t
	for i := w.n - 1; i > 0 && (end-w.at(i).t <= over || w.n-i < fewestSamples); i-- {
		if w.at(i).v != w.at(i-1).v {
			n++
		}
	}
	return n
}

// ahead is how far the latest value had still to go as it slowed, µm, if its way was an exponential. The mean
// speeds of two times show its time constant: those in the last half of settle (s) and in the half before it, or in
// quarters. It is 0 if the value went by no more than a step (µm) in the last half.
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

// before is the latest sample that is no later than t.
func (w *window) before(t float64) (sample, bool) {
	for i := w.n - 1; i >= -w.past; i-- {
		if x := w.at(i); x.t <= t {
			return x, true
		}
	}
	return sample{}, false
}
