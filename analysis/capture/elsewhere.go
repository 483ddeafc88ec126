package capture

import (
	"math"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture/rock"
)

// After a reading the gauge may be drawn along to another place, or the hand rocks on. A hand that
// rests at a tilt for a second and then rocks on shows the same as one that goes to another
// place of the same size, and a place that is read twice is a wrong reading of the next one. So only
// another size is another place; to gauge one of the same size the gauge is drawn out.

// rearm looks for what can't be in the place of the reading: a value below its size, twice.
func (c *turning) rearm(x sample, at time.Duration) {
	if x.v >= c.least {
		c.below = 0
	} else if c.below++; c.below >= 2 {
		c.say(Result{Kind: Moved, At: at})
		c.done = false
		return
	}
	if t, size, u, ok := c.rock.Latest(); ok && c.same(size, u) {
		c.rock.Since(t)
	}
}

// same reports whether a size may be that of the reading.
func (c *turning) same(size, u float64) bool {
	return math.Abs(size-c.level) <= analysis.Length(c.o.Rearm).Micrometres()/2+4*math.Hypot(u, c.u)
}

// another takes a reading that passes give after the one of this place.
func (c *turning) another(r rock.Reading, at time.Duration) {
	if c.same(r.Size, r.U) {
		c.rock.Since(r.Last)
		return
	}
	c.say(Result{Kind: Moved, At: at})
	c.take(r, at)
}
