package capture

import (
	"math"
	"time"

	"fairbore/analysis"
)

// maxSettle bounds the window of a settled value, and so its memory.
const maxSettle = 3 * time.Second

const (
	windowCap   = 512 // samples kept: maxSettle at 170 values/s
	levelFewest = 4   // samples of a level, however slow the stream
	meanOver    = 500 * time.Millisecond
	// wobble is how long what else moves the value stays alike, so that samples
	// closer than this say little new about the level (an assumption).
	wobble = 150 * time.Millisecond
)

// settled takes the mean of a plateau. It keeps the longest run of latest
// samples that stays within Range; when that has lasted for Settle, and its
// slope is known to be less than Slope, the gauge has settled. The tail of a
// contact coming home is an exponential with a time constant T below a second
// (common practice: 0.1 to 1 s), so a slope of b leaves an error of about b·T:
// 0.1 µm for 0.2 µm/s and half a second.
type settled struct {
	gate
	held  window    // the run within Range, oldest first
	spike [2]sample // the last two samples, the newest not yet judged
	have  int
	clock pace
	began time.Duration
	done  bool
	level float64 // µm from nominal, of the reading
	away  int     // samples beyond Rearm from it, one after the other
	trend float64 // slope of the last judged run, µm/s
	seen  int     // samples of the visit
}

// sample is a Sample for computing: s since the visit began, µm from nominal.
type sample struct{ t, v float64 }

func newSettled(o Options) *settled { return &settled{gate: gate{o: o}} }

func (c *settled) Reset() { *c = settled{gate: gate{o: c.o}} }

func (c *settled) Progress() Progress {
	p := Progress{In: c.in, Done: c.done}
	if c.in && !c.done {
		p.Hint = c.why()
	}
	return p
}

func (c *settled) Feed(s Sample) []Result {
	c.n = 0
	if c.broken(s.At) {
		c.interrupt(s.At)
	}
	switch c.pass(s.Value) {
	case enters:
		c.begin(s.At)
		c.say(Result{Kind: Entered, At: s.At})
		c.add(s)
	case stays:
		c.add(s)
	case leaves:
		c.end(s.At, c.why())
		c.say(Result{Kind: Left, At: s.At})
	}
	return c.res[:c.n]
}

// interrupt gives up the visit when the stream broke; if the gauge is still in
// the bore, the next sample begins another.
func (c *settled) interrupt(at time.Duration) {
	if !c.in {
		return
	}
	c.in, c.out = false, 0
	c.end(at, Silent)
	c.say(Result{Kind: Left, At: at})
}

func (c *settled) begin(at time.Duration) {
	c.held.clear()
	c.clock.begin()
	c.have, c.seen, c.away = 0, 0, 0
	c.done, c.trend, c.began = false, 0, at
}

// end says why there was no reading, if there was none. A visit of one sample
// is noise at the edge of the band, and nobody wants to hear of it.
func (c *settled) end(at time.Duration, why Reason) {
	if !c.done && c.seen > 1 {
		c.say(Result{Kind: Refused, At: at, Reason: why})
	}
}

func (c *settled) why() Reason {
	limit := analysis.Length(c.o.Slope).Micrometres()
	switch {
	case c.o.lively() && c.held.repeats(stuckAfter):
		return Stuck
	case c.held.span() < c.o.Settle.Seconds() && c.trend == 0:
		return Soon
	case c.trend < -limit:
		return Shrinking
	case c.trend > limit:
		return Growing
	}
	return Unsteady
}

// add passes samples on one late, so that a single wild one can be told by both
// its neighbours.
func (c *settled) add(s Sample) {
	c.seen++
	x := sample{(s.At - c.began).Seconds(), (s.Value - c.o.Nominal).Micrometres()}
	if c.clock.tick(x.t) {
		c.held.clear()
		c.have = 0
	}
	if c.have < 2 {
		c.spike[c.have] = x
		c.have++
		if c.have == 1 {
			return
		}
		c.judge(c.spike[0], s.At)
		return
	}
	if mid := c.spike[1]; !wild(c.spike[0].v, mid.v, x.v, c.o.noise()) {
		c.spike[0] = mid
		c.judge(mid, s.At)
	}
	c.spike[1] = x
}

// wild reports whether b sticks out from both its neighbours by more than
// noise, and they agree far better with one another.
func wild(a, b, c, noise float64) bool {
	da, dc := b-a, b-c
	limit := max(3, 8*noise)
	return da*dc > 0 && min(math.Abs(da), math.Abs(dc)) > limit && math.Abs(a-c) < min(math.Abs(da), math.Abs(dc))/3
}

func (c *settled) judge(x sample, at time.Duration) {
	c.held.push(x, analysis.Length(c.o.Range).Micrometres(), maxSettle.Seconds())
	if c.done {
		c.rearm(x, at)
		return
	}
	if c.held.n < levelFewest || c.held.span() < c.o.Settle.Seconds() {
		return
	}
	limit := analysis.Length(c.o.Slope).Micrometres()
	k := c.held.enough(c.o.Settle.Seconds(), c.o.noise(), limit)
	slope, u := c.held.slope(k, c.o.noise())
	c.trend = slope
	switch late, uLate := c.held.slope(k/2, c.o.noise()); {
	case math.Abs(slope) > limit, u > 1.5*limit && c.held.span() < maxSettle.Seconds()*0.9:
	case math.Abs(late)-uLate > limit: // at a peak, or not there yet
	case c.o.lively() && c.held.repeats(suspectAfter):
	default:
		c.take(at, c.held.at(c.held.n-k).t)
	}
}

func (c *settled) take(at time.Duration, from float64) {
	over := max(meanOver.Seconds(), (c.held.at(c.held.n-1).t-from)/2)
	mean, u, sd, over := c.held.mean(over, c.o.noise())
	v, err := analysis.FromMicrometres(mean)
	if err != nil {
		return
	}
	c.done, c.level, c.away = true, mean, 0
	u = math.Hypot(math.Hypot(u, sway), c.o.grain())
	since := at - time.Duration(over*float64(time.Second))
	c.say(Result{Kind: Taken, At: at, Since: since, Value: c.o.Nominal + v, U: deviation(u),
		Quality: clamp01(1.5 - sd/(2*c.o.noise()))})
}

func clamp01(x float64) float64 { return min(1, max(0, x)) }

// rearm looks for the gauge going elsewhere without leaving the bore.
func (c *settled) rearm(x sample, at time.Duration) {
	if math.Abs(x.v-c.level) <= analysis.Length(c.o.Rearm).Micrometres() {
		c.away = 0
		return
	}
	if c.away++; c.away < 2 {
		return
	}
	c.say(Result{Kind: Moved, At: at})
	c.done, c.away, c.trend = false, 0, 0
	c.held.clear()
}
