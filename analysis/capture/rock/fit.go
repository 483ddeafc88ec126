package rock

import (
	"math"

	"fairbore/analysis/capture/pass"
)

// fitAll fits the valleys whose ends have become known since their last fit.
func (r *Finder) fitAll() {
	for j := range r.valleys {
		if w := &r.vs[j]; !w.final {
			r.fit(j)
			w.final = j < r.valleys-1
		}
	}
}

// Which samples of a pass are fitted.
const (
	fitApart      = 0.25 // as a share of the time between two passes: how far a fit keeps away from the next pass
	fitHeight     = 0.8  // as a share of the height of a side: higher samples are left out if fitSide samples remain
	fitSide       = 5    // fewest samples of a side
	entryRatio    = 1.5  // as a multiple of the height of the other side: a higher side is the way in or out, not a swing
	entryMargin   = 3.0  // µm, added to that height
	betweenPasses = 5.0  // fewest samples between two passes; with fewer, nobody can tell what the hand did between them
	morePerSecond = 60.0 // number of further samples needed for each second by which samples are further apart than closeSamples
	closeSamples  = 0.05 // s; a hand moves at up to 3 Hz
)

// fit fits valley j with the samples so far.
func (r *Finder) fit(j int) {
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
	first, last = max(first, w.at-pass.MaxSamples/2+1), min(last, w.at+pass.MaxSamples/2)
	n := 0
	for i := first; i <= last; i++ {
		if !r.stale(i) {
			r.buf[n] = r.at(i)
			n++
		}
	}
	w.until, w.count = r.at(last).T, n
	if r.clock.mean*r.minBetween() > gap { // the hand is too fast for a fit; [Finder.notEnough] recognises this by the count
		return
	}
	w.fit, w.ok = r.work.Fit(r.buf[:n], pass.Noise{Sigma: r.o.Sigma, Time: r.clock.scatter()}, math.Pi/gap, r.roughness(j))
}

// first returns the first sample of valley j to fit, and the height of its falling side, µm.
func (r *Finder) first(j int, gap, fall, rise float64) (int, float64) {
	w := &r.vs[j]
	i := w.peak
	if j == 0 || fall > 4*rise { // the falling side is the way in, or the way along from another place
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

// last returns the last sample of valley j to fit, at or after sample i, and the height of its rising
// side, µm.
func (r *Finder) last(j int, gap float64, i int, fall, rise float64) (int, float64) {
	w := &r.vs[j]
	if j+1 == r.valleys { // the rising side is perhaps the way out
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

// minBetween returns the fewest samples between two passes.
func (r *Finder) minBetween() float64 {
	return betweenPasses + morePerSecond*max(0, r.clock.mean-closeSamples)
}

// stale reports whether sample i is the previous sample, sent again. It is if the two are equal to
// the last digit and a leap follows.
func (r *Finder) stale(i int) bool {
	if !r.held(i-1) || !r.held(i+1) || r.at(i-1).V != r.at(i).V {
		return false
	}
	leap := math.Abs(r.at(i+1).V - r.at(i).V)
	return leap > leapSigmas*r.o.Sigma && leap > 2*r.o.Step
}

const leapSigmas = 6 // standard deviations of a sample

// gap returns the time between passes around valley j, s. It is 0 if there is no other pass now and
// there was none before.
func (r *Finder) gap(j int) float64 {
	a, b := max(0, j-1), min(r.valleys-1, j+1)
	if a == b {
		return r.spacing
	}
	return (r.vs[b].t - r.vs[a].t) / float64(b-a)
}

// roughness returns the prior of the hand's roughness at valley j, from the other passes.
func (r *Finder) roughness(j int) float64 {
	sum, n := math.Log(pass.TypicalRoughness), 1.0
	for i := range r.valleys {
		w := &r.vs[i]
		if i != j && w.ok && w.low > 8*r.o.Sigma && w.fit.U[1] < 1 {
			sum += max(-4, min(4, w.fit.LogRoughness))
			n++
		}
	}
	return math.Exp(sum / n)
}

// clock estimates the scatter of time stamps, which have steps. Times in steps of q scatter by
// q/√12, and the intervals between them by √2 times as much.
type clock struct {
	last     float64
	mean, sd float64 // running mean and mean absolute deviation of the intervals, s
	n        int
	strange  int // number of intervals in a row that are far from the mean
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
		if math.Abs(off) > c.mean { // a gap, or a late value
			if c.strange++; c.strange == maxStrange { // or the first interval was a gap
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
	minScatter = 0.0015 // s, time stamps of a serial line (an assumption)
	maxScatter = 0.006  // s: a larger scatter comes from an uneven stream, not from steps of time stamps
	maxStrange = 8      // intervals
)

// scatter returns the standard deviation of a time stamp, s: 1.25 times the mean absolute deviation of
// the intervals, divided by √2.
func (c *clock) scatter() float64 {
	return min(maxScatter, max(minScatter, 1.25/math.Sqrt2*c.sd))
}
