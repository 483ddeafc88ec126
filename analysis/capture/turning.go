package capture

import (
	"math"
	"time"

	"fairbore/analysis"
)

// ringCap is the samples kept of a visit: eight slow passes at 100 values/s.
const ringCap = 1024

// turning takes the size at which a rocked gauge turns. It finds the passes
// through square as they come, and after each from the third on it fits the rock
// ([rock]) to the latest of them; what comes of it is taken when the passes
// agree, the samples follow the geometry, and the size is known well enough.
// What leaves some doubt is kept: it is taken when the gauge leaves the place and
// no later pass has spoken against it.
type turning struct {
	gate
	noise  float64 // of a sample, µm
	began  time.Duration
	clock  pace
	spikes despike
	turns  turns
	ring   [ringCap]sample
	floor  float64          // lowest of the visit, µm, that three samples agree on
	list   [turnCap]extreme // turning points that are tried
	count  int              // samples of the visit; the latest ringCap of them are kept
	tried  int              // what of the latest pass has been tried: twice turns.passed, plus one when it was whole
	why    Reason           // what was wrong with the last attempt
	done   bool
	reading
	below int     // samples below the level, one after the other
	back  float64 // when the value was last near the level, s
	rock  rock
	buf   struct {
		t, v, weight, excess, rest, sigma [ringCap]float64
		slopes                            [ringCap][7]float64
		swing                             [ringCap]uint8
	}
}

// reading is what was made of the passes last.
type reading struct {
	kept  Result  // waits for more passes, or for the gauge to leave; no Kind: nothing does
	level float64 // µm from nominal
	least float64 // µm, below which no two samples of the place lie: half a step and the noise below the level
	half  float64 // longest time between its passes, s
	tall  float64 // least height of its passes, µm
	final float64 // time of its last pass, s
	away  float64 // how long the value was away before it came near the level again, s
}

// gateTilt is how far a gauge may be tilted in the bore and still be in it.
const gateTilt = 7 * math.Pi / 180

func newTurning(o Options) *turning {
	c := &turning{gate: gate{o: o}, noise: o.noise()}
	c.tilt = analysis.Length(float64(o.Nominal-2*o.Tip) * (1/math.Cos(gateTilt) - 1))
	c.turns.hysteresis = max(0.8, 6*c.noise)
	return c
}

func (c *turning) Reset() { *c = *newTurning(c.o) }

func (c *turning) Progress() Progress {
	p := Progress{In: c.in, Done: c.done, Turns: c.turns.minima()}
	if c.in && !c.done {
		p.Hint = c.reason(c.clock.last)
	}
	return p
}

func (c *turning) Feed(s Sample) []Result {
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
		c.finish(s.At)
		c.release(s.At)
		c.end(s.At, c.reason((s.At - c.began).Seconds()))
		c.say(Result{Kind: Left, At: s.At})
	}
	return c.res[:c.n]
}

func (c *turning) interrupt(at time.Duration) {
	if !c.in {
		return
	}
	c.in, c.out = false, 0
	c.end(at, Silent)
	c.say(Result{Kind: Left, At: at})
}

func (c *turning) begin(at time.Duration) {
	c.began, c.done = at, false
	c.clock.begin()
	c.spikes = despike{}
	c.restart()
	c.count, c.floor = 0, math.Inf(1)
}

// held reports whether sample i of the visit is in the ring.
func (c *turning) held(i int) bool { return i >= 0 && i < c.count && i >= c.count-ringCap }

// restart forgets the passes seen so far.
func (c *turning) restart() {
	c.turns.clear()
	c.tried, c.why, c.kept = 0, "", Result{}
}

// brief is a visit too short to have meant a reading.
const brief = 1.5 // s

func (c *turning) end(at time.Duration, why Reason) {
	if !c.done && c.count > 1 {
		c.say(Result{Kind: Refused, At: at, Reason: why, Turns: c.turns.minima()})
	}
}

func (c *turning) reason(t float64) Reason {
	switch n := c.turns.minima(); {
	case n == 0 && t < brief:
		return Soon
	case n == 0:
		return NotRocked
	case n == 1:
		return OneTurn
	case n == 2 || c.why == "":
		return FewTurns
	}
	return c.why
}

func (c *turning) add(s Sample) {
	x := sample{(s.At - c.began).Seconds(), (s.Value - c.o.Nominal).Micrometres()}
	if c.clock.tick(x.t) { // times that can't be trusted: begin the passes again
		c.spikes = despike{}
		c.restart()
	}
	if x, ok := c.spikes.push(x, c.noise); ok {
		c.judge(x, s.At)
	}
}

func (c *turning) judge(x sample, at time.Duration) {
	if c.count > 1 {
		c.floor = min(c.floor, max(x.v, c.ring[(c.count-1)%ringCap].v, c.ring[(c.count-2)%ringCap].v))
	}
	c.ring[c.count%ringCap] = x
	c.turns.push(extreme{index: c.count, sample: x})
	c.count++
	if c.done || c.kept.Kind == Taken {
		c.rearm(x, at)
	}
	if !c.done && c.due(x) {
		c.attempt(at, false)
	}
}

// finish judges what was held back when the gauge has left: that it rose out of the
// bore shows that the last minimum was one, though few samples may tell.
func (c *turning) finish(at time.Duration) {
	for _, x := range c.spikes.rest() {
		c.judge(x, at)
	}
	if !c.done && c.turns.close() && c.turns.minima() >= c.o.Turns && c.tried <= 2*c.turns.passed {
		c.attempt(at, true)
	}
}

// due reports whether the latest pass has come far enough to be tried: the value
// has risen again by a third of what it fell, or turned.
func (c *turning) due(x sample) bool {
	if c.turns.minima() < c.o.Turns {
		return false
	}
	n := c.turns.passed
	if c.turns.n%2 == 1 { // the maximum after the latest minimum is settled
		if c.tried >= 2*n+1 {
			return false
		}
		c.tried = 2*n + 1
		return true
	}
	l := c.turns.latest(1)
	if c.tried >= 2*n || x.v-l[1].v < 0.35*(l[0].v-l[1].v) {
		return false
	}
	c.tried = 2 * n
	return true
}

// rearm looks for the gauge going to another place: the value stays away from
// the size for longer than the rock would, goes below it, which it can't here, or turns
// elsewhere twice.
func (c *turning) rearm(x sample, at time.Duration) {
	near := analysis.Length(c.o.Rearm).Micrometres() + 4*c.noise
	switch {
	case x.v < c.least:
		c.below++
	case x.v <= c.level+near:
		c.below = 0
		c.came(x.t)
	default:
		c.below = 0
	}
	if m, ok := c.turns.lowest(); ok && m.v-m.miss <= c.level+near {
		c.came(m.t) // between its samples the pass came to the size
	}
	longest := c.pause()
	if !c.done { // the next pass is awaited
		longest = 0.5 + 1.6*c.half
	}
	from := x.t
	switch {
	case x.t-c.back > longest:
		from = c.back
	case c.below >= 2 && !c.done && max(c.away, x.t-c.back) <= c.pause():
		c.kept = Result{}
		return
	case c.below >= 2:
	case c.done && c.elsewhere():
		from = c.turns.latest(2)[0].t
	default:
		return
	}
	c.release(at)
	c.say(Result{Kind: Moved, At: at})
	c.done, c.tried, c.why, c.below = false, 0, "", 0
	c.turns.since(from)
}

// pause is the longest that a rock may take from one pass to the next, s: by then the
// gauge has rather been drawn along the bore.
func (c *turning) pause() float64 { return max(0.5, 1.3*c.half) }

// came notes that the value was near the level.
func (c *turning) came(t float64) {
	if t-c.back > 0.5*c.half {
		c.away = t - c.back
	}
	c.back = max(c.back, t)
}

// elsewhere reports whether the latest two passes, both whole and both after the reading,
// turned at another size, on the same side of it.
func (c *turning) elsewhere() bool {
	l := c.turns.latest(min(2, c.turns.minima()))
	if len(l) < 5 || l[0].t < c.final {
		return false
	}
	a, b := c.beside(l[:3]), c.beside(l[2:])
	return a != 0 && a == b
}

// beside tells a whole pass, given by its maximum, minimum and maximum, that is as tall as
// those of the reading and turned above its level (1) or below it (-1) from others (0).
func (c *turning) beside(l []extreme) int {
	near, off := 0.5+4*c.noise, l[1].v-c.level
	switch {
	case min(l[0].v, l[2].v)-l[1].v < alike*c.tall:
		return 0
	case off < -near:
		return -1
	case off > near+4*l[1].miss:
		return 1
	}
	return 0
}
