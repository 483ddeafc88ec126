package capture

import (
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture/settle"
)

// settled takes the size at which a gauge comes to rest. Package settle finds that size; settled knows
// when a visit begins and ends.
type settled struct {
	visit
	finder *settle.Finder
}

func newSettled(o Options) *settled {
	um := func(d analysis.Deviation) float64 { return analysis.Length(d).Micrometres() }
	return &settled{visit: visit{gate: newGate(o)}, finder: settle.New(settle.Options{
		Repeatability: um(o.Repeatability), Step: o.step(), Settle: o.Settle.Seconds(), Slope: um(o.Slope), Range: um(o.Range), Rearm: um(o.Rearm),
	})}
}

func (c *settled) Feed(s Sample) []Result { return c.follow(s, c) }

func (c *settled) Reset() {
	air := c.air
	*c = *newSettled(c.o)
	c.air = air
}

func (c *settled) Progress() Progress {
	p := Progress{In: c.in, Done: c.done}
	if c.in && !c.done {
		p.Hint = settleReasons[c.finder.Doubt()]
	}
	return p
}

// settleReasons maps the doubts of a finder to reasons.
var settleReasons = [...]Reason{
	settle.None: "", settle.Short: TooShort, settle.Falling: Falling, settle.Rising: Rising, settle.Unsteady: Unsteady,
	settle.Stuck: Stuck, settle.Pending: DrawOut,
}

func (c *settled) begin() { c.finder.Begin() }

func (c *settled) restart(t float64) { c.finder.Restart(t) }

func (c *settled) add(x sample, at time.Duration) {
	c.count++
	for _, e := range c.finder.Add(x.t, x.v) {
		if e.Moved {
			c.move(at)
		} else {
			c.read(e.Reading, at)
		}
	}
}

func (c *settled) leave(last Sample) Reason {
	r, doubt := c.finder.Leave(c.offset(c.beyond), c.offset(last))
	if doubt == settle.None {
		c.read(r, last.At)
	}
	return settleReasons[doubt]
}

func (c *settled) read(r settle.Reading, at time.Duration) {
	until := c.timeAt(r.Until)
	c.take(r.Size, Result{At: at, Since: until - seconds(r.Over), Until: until, U: deviation(r.U), Quality: clamp01(1.5 - r.Scatter/2)})
}
