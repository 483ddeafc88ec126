package rock

import (
	"math"

	"fairbore/analysis/capture/pass"
)

// fitAll fits the valleys whose ends have become known since they were fitted last.
func (r *Rock) fitAll() {
	for j := range r.nv {
		if w := &r.vs[j]; !w.final {
			r.fit(j)
			w.final = j < r.nv-1
		}
	}
}

// How much of a pass is fitted.
const (
	apart  = 0.25 // of the time between two passes: so far from the other
	lower  = 0.8  // of the height of its side, if there are
	sides  = 5    // samples left on it
	sparse = 5.0  // samples from one pass to the next: with fewer the way between them is anybody's guess,
	slow   = 60.0 // and with so many more for each second that they are further apart than
	near   = 0.05 // s, as a hand's own motion goes up to 3 Hz
	entry  = 1.5  // of the rise after it, of the way in: what is higher is no swing
)

// fit fits valley j with the samples up to now.
func (r *Rock) fit(j int) {
	w := &r.vs[j]
	w.ok = false
	gap := r.gap(j)
	if !(gap > 0) || !r.held(w.peak) {
		return
	}
	a, b := w.peak, w.end
	if b == 0 {
		b = r.n - 1
	}
	fall, rise := r.highest(a, w.at)-w.v, r.highest(w.at, b)-w.v
	w.edge = j == 0 && fall > entry*rise+3 || w.end == 0 && rise > entry*fall+3
	if j == 0 || fall > 4*rise { // the way in, or from another place
		for a < w.at && (r.at(a).V-w.v > entry*rise || w.t-r.at(a).T > gap) {
			a++
		}
		fall = r.highest(a, w.at) - w.v
	} else {
		before := r.vs[j-1].t
		for r.held(a-1) && r.at(a-1).T-before > apart*(w.t-before) {
			a--
		}
	}
	if j+1 < r.nv {
		next := r.vs[j+1].t
		for b+1 < r.n && next-r.at(b+1).T > apart*(next-w.t) {
			b++
		}
	} else { // perhaps the way out
		for b > w.at && (r.at(b).V-w.v > entry*fall+3 || r.at(b).T-w.t > 1.2*gap) {
			b--
		}
		rise = r.highest(w.at, b) - w.v
	}
	w.low = min(rise, fall)
	for w.at-a > sides && r.highest(a, w.at)-w.v > lower*fall {
		a++
	}
	for b-w.at > sides && r.highest(w.at, b)-w.v > lower*rise {
		b--
	}
	a, b = max(a, w.at-pass.Most/2+1), min(b, w.at+pass.Most/2)
	n := 0
	for i := a; i <= b; i++ {
		if !r.stale(i) {
			r.buf[n] = r.at(i)
			n++
		}
	}
	w.until, w.count = r.at(b).T, n
	if r.clock.mean*r.enough() > gap { // too quick for the stream
		return
	}
	w.fit, w.ok = r.work.Fit(r.buf[:n], pass.Noise{Sigma: r.o.Sigma, Time: r.clock.scatter()}, math.Pi/gap, r.rough(j))
}

// enough is how many samples there must be from one pass to the next.
func (r *Rock) enough() float64 { return sparse + slow*max(0, r.clock.mean-near) }

// stale reports whether sample i is the one before it sent again: the same to
// the last digit, and then the value leaps.
func (r *Rock) stale(i int) bool {
	if !r.held(i-1) || !r.held(i+1) || r.at(i-1).V != r.at(i).V {
		return false
	}
	return math.Abs(r.at(i+1).V-r.at(i).V) > leap*r.o.Sigma && math.Abs(r.at(i+1).V-r.at(i).V) > 2*r.o.Step
}

const leap = 6 // standard deviations

// gap is the time between passes about valley j, s; 0 where there is no other, and was none.
func (r *Rock) gap(j int) float64 {
	a, b := max(0, j-1), min(r.nv-1, j+1)
	if a == b {
		return r.spacing
	}
	return (r.vs[b].t - r.vs[a].t) / float64(b-a)
}

// rough is the prior of the hand's roughness at valley j: what the others showed.
func (r *Rock) rough(j int) float64 {
	sum, n := math.Log(pass.Rough), 1.0
	for i := range r.nv {
		w := &r.vs[i]
		if i != j && w.ok && w.low > 8*r.o.Sigma && w.fit.U[1] < 1 {
			sum += max(-4, min(4, w.fit.Rough))
			n++
		}
	}
	return math.Exp(sum / n)
}

// clock finds how far the times of samples are off, from the steps of time stamps. Times that are
// handed over in steps of q scatter by q/√12, and their intervals by √2 as much.
type clock struct {
	last     float64
	mean, sd float64 // of the intervals: running mean and mean absolute deviation, s
	n        int
	strange  int // intervals in a row that are none of these
}

func (c *clock) begin() { c.n, c.strange = 0, 0 }

func (c *clock) tick(t float64) {
	dt := t - c.last
	c.last = t
	c.n++
	switch {
	case c.n == 2:
		c.mean, c.sd = dt, 0
	case c.n > 2:
		k := 1 / min(float64(c.n-1), 32)
		off := dt - c.mean
		if math.Abs(off) > c.mean { // a gap, or a value that came late
			if c.strange++; c.strange == 8 { // or the first interval was one
				c.n = 1
			}
			return
		}
		c.strange = 0
		c.mean += k * off
		c.sd += k * (math.Abs(off) - c.sd)
	}
}

// What the times of a serial line scatter by (an assumption), and the most that is
// taken for the steps of stamps and not for an uneven stream.
const (
	leastScatter = 0.0015 // s
	mostScatter  = 0.006
)

// scatter is the standard deviation of a time stamp, s: 1.25 times the mean absolute
// deviation of the intervals, over √2.
func (c *clock) scatter() float64 {
	return min(mostScatter, max(leastScatter, 1.25/math.Sqrt2*c.sd))
}
