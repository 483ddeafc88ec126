package capture

import (
	"math"
	"time"

	"fairbore/analysis"
)

// depart watches the value go from a level that was kept. Gone far and back it was
// drawn along the bore to another place, so the level was one. Settled elsewhere it
// may as well have been stuck, and the level is given up.
func (c *settled) depart(x sample, at time.Duration) {
	off := math.Abs(x.v - c.level)
	back, rests := c.gone(off)
	c.stray(off)
	hung := c.hung(off)
	switch {
	case back:
		c.lived = true
		c.leave(at)
		c.came = x.t
	case rests:
		c.leave(at)
		c.came = x.t
	case hung:
		c.kept = Result{}
	case off <= c.near():
		c.met = x.t
	case x.t-c.met > leaving && c.peak < analysis.Length(c.o.Rearm).Micrometres():
		c.kept = Result{}
	}
}

// hung reports whether a value that stood has come back with a leap: two steps and more
// from one sample to the next, and then no further off. A gauge at rest wanders by one
// step, and one that is drawn away goes on.
func (c *settled) hung(off float64) bool {
	step := c.o.step()
	hung := !c.lived && c.leapt > 0 && off > c.near() && off < c.leapt+step && c.peak < analysis.Length(c.o.Rearm).Micrometres()
	c.leapt = 0
	if c.run == 1 && c.leap > 1.5*step {
		c.leapt = off
	}
	return hung
}

// gone reports whether the gauge has gone elsewhere without leaving the bore: the value
// was far off the level, and comes back, or rests there. One that only goes off is
// being drawn out.
func (c *settled) gone(off float64) (back, rests bool) {
	if c.away < 2 || c.peak <= analysis.Length(c.o.Rearm).Micrometres() {
		return false, false
	}
	return c.peak-off > c.width(), c.look().level >= likely
}

// leave ends the place of a level that was kept, which is taken if it has lived.
func (c *settled) leave(at time.Duration) {
	if !c.lived {
		c.kept = Result{}
		return
	}
	c.release(at)
	c.move(at)
}

// leaving is the most that it takes to get from a level to where it is clear whether
// the gauge is drawn out, drawn along or neither, s (common practice).
const leaving = 0.4

// near is how far from a level that was kept a sample may be to be of it, µm. One that
// stood on a step of the display may show the next one, but not the one after it.
func (c *settled) near() float64 {
	if c.lived {
		return c.width()
	}
	return 1.2*c.o.step() + 2*analysis.Length(c.o.Repeatability).Micrometres()
}

// stray counts the samples in a row that lie off the level, and how far. A wild one
// that is sent again is one still.
func (c *settled) stray(off float64) {
	switch {
	case off <= c.width():
		c.away, c.peak = 0, 0
	case c.run == 1:
		c.away++
		fallthrough
	default:
		c.peak = max(c.peak, off)
	}
}

// seenLeaving reports whether the value was seen between the level that was kept and s,
// the second beyond the band. A gauge takes a few tenths of a second out of the bore
// (common practice); a stream that hung until it was out leaps.
func (c *settled) seenLeaving(s Sample) bool {
	air := (s.Value - c.o.Nominal).Micrometres()
	between := func(v float64) bool {
		wide := c.width()
		return math.Abs(v-c.level) > wide && math.Abs(v-air) > wide
	}
	return c.away > 0 || between(c.spike[1].v) || between((c.beyond - c.o.Nominal).Micrometres())
}

// rearm looks for the gauge going elsewhere after a reading.
func (c *settled) rearm(x sample, at time.Duration) {
	off := math.Abs(x.v - c.level)
	if back, rests := c.gone(off); back || rests {
		c.move(at)
		c.came = x.t
		return
	}
	c.stray(off)
}

func (c *settled) move(at time.Duration) {
	c.say(Result{Kind: Moved, At: at})
	c.done, c.away, c.peak, c.trend = false, 0, 0, 0
}
