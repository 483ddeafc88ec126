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
	fitApart      = 0.25 // of the time between two passes: how far the samples of the one stay from the other
	fitHeight     = 0.8  // of the height of a side: its top is left out if fitSide samples remain
	fitSide       = 5    // samples
	entryRatio    = 1.5  // of the height of the other side: what is higher is the way in or out, no swing
	entryMargin   = 3.0  // µm, more than that
	betweenPasses = 5.0  // samples from one pass to the next, at least: with fewer nobody can say what the hand did between them
	morePerSecond = 60.0 // more of them for each second that the samples are further apart than
	closeSamples  = 0.05 // s, as a hand's own motion goes up to 3 Hz
)

// fit fits valley j with the samples up to now.
func (r *Rock) fit(j int) {
	w := &r.vs[j]
	w.ok = false
	gap := r.gap(j)
	if !(gap > 0) || !r.held(w.peak) {
		return
	}
	last := w.end
	if last == 0 {
		last = r.n - 1
	}
	fall, rise := r.highest(w.peak, w.at)-w.v, r.highest(w.at, last)-w.v
	w.edge = j == 0 && fall > entryRatio*rise+entryMargin || w.end == 0 && rise > entryRatio*fall+entryMargin
	first, fall := r.first(j, gap, fall, rise)
	last, rise = r.last(j, gap, last, fall, rise)
	w.low = min(rise, fall)
	for w.at-first > fitSide && r.highest(first, w.at)-w.v > fitHeight*fall {
		first++
	}
	for last-w.at > fitSide && r.highest(w.at, last)-w.v > fitHeight*rise {
		last--
	}
	first, last = max(first, w.at-pass.Most/2+1), min(last, w.at+pass.Most/2)
	n := 0
	for i := first; i <= last; i++ {
		if !r.stale(i) {
			r.buf[n] = r.at(i)
			n++
		}
	}
	w.until, w.count = r.at(last).T, n
	if r.clock.mean*r.leastBetween() > gap { // too quick to be fitted; the count tells [Rock.unsure] so
		return
	}
	w.fit, w.ok = r.work.Fit(r.buf[:n], pass.Noise{Sigma: r.o.Sigma, Time: r.clock.scatter()}, math.Pi/gap, r.rough(j))
}

// first is the first sample of valley j to be fitted, with the height of its falling side, µm.
func (r *Rock) first(j int, gap, fall, rise float64) (int, float64) {
	w := &r.vs[j]
	i := w.peak
	if j == 0 || fall > 4*rise { // the way in, or from another place
		for i < w.at && (r.at(i).V-w.v > entryRatio*rise || w.t-r.at(i).T > gap) {
			i++
		}
		return i, r.highest(i, w.at) - w.v
	}
	before := r.vs[j-1].t
	for r.held(i-1) && r.at(i-1).T-before > fitApart*(w.t-before) {
		i--
	}
	return i, fall
}

// last is the last sample of valley j to be fitted, from sample i on, with the height of its rising side, µm.
func (r *Rock) last(j int, gap float64, i int, fall, rise float64) (int, float64) {
	w := &r.vs[j]
	if j+1 == r.nv { // perhaps the way out
		for i > w.at && (r.at(i).V-w.v > entryRatio*fall+entryMargin || r.at(i).T-w.t > 1.2*gap) {
			i--
		}
		return i, r.highest(w.at, i) - w.v
	}
	next := r.vs[j+1].t
	for i+1 < r.n && next-r.at(i+1).T > fitApart*(next-w.t) {
		i++
	}
	return i, rise
}

// leastBetween is how many samples there must be from one pass to the next.
func (r *Rock) leastBetween() float64 {
	return betweenPasses + morePerSecond*max(0, r.clock.mean-closeSamples)
}

// stale reports whether sample i is the one before it sent again: the same to
// the last digit, and then the value leaps.
func (r *Rock) stale(i int) bool {
	if !r.held(i-1) || !r.held(i+1) || r.at(i-1).V != r.at(i).V {
		return false
	}
	leap := math.Abs(r.at(i+1).V - r.at(i).V)
	return leap > leapSigmas*r.o.Sigma && leap > 2*r.o.Step
}

const leapSigmas = 6 // standard deviations of a sample

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

// clock finds how much the times of samples scatter, as time stamps have steps. Times in
// steps of q scatter by q/√12, and their intervals by √2 as much.
type clock struct {
	last     float64
	mean, sd float64 // of the intervals: running mean and mean absolute deviation, s
	n        int
	strange  int // intervals in a row that are far off the mean
}

// tick notes the time of a sample, s.
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
			if c.strange++; c.strange == mostStrange { // or the first interval was a gap
				c.n = 1
			}
			return
		}
		c.strange = 0
		c.mean += k * off
		c.sd += k * (math.Abs(off) - c.sd)
	}
}

const (
	leastScatter = 0.0015 // s, of the times of a serial line (an assumption)
	mostScatter  = 0.006  // s: more is no step of time stamps but an uneven stream
	mostStrange  = 8      // intervals
)

// scatter is the standard deviation of a time stamp, s: 1.25 times the mean absolute
// deviation of the intervals, over √2.
func (c *clock) scatter() float64 {
	return min(mostScatter, max(leastScatter, 1.25/math.Sqrt2*c.sd))
}
