package capture

import (
	"math"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture/rock"
)

// turning takes the size at which a rocked gauge turns. Package rock finds the passes through square and
// says whether they may be believed; here are the visits, and whether a reading is of another place.
//
// After a reading the gauge may be drawn along to another place, or the hand rocks on. A hand that
// rests at a tilt for a second and then rocks on shows the same as one that goes to another
// place of the same size, and a place that is read twice is a wrong reading of the next one. So only
// another size is another place. To gauge another place of the same size, the gauge is drawn out.
type turning struct {
	visit
	noise  float64 // standard deviation of a sample, µm
	spikes despike
	rock   *rock.Rock
	place
}

// place is where the last reading was taken.
type place struct {
	size, u float64 // µm from nominal, and its standard uncertainty
	least   float64 // no two samples of the place in a row lie below it, µm
	below   int     // samples below least in a row
}

// mostTilt is how far a gauge may be tilted in the bore and still be in it, rad.
const mostTilt = 7 * math.Pi / 180

func newTurning(o Options) *turning {
	c := &turning{visit: visit{gate: newGate(o)}, noise: o.noise()}
	k := float64(o.Nominal - 2*o.Tip)
	c.tilt = analysis.Length(k * (1/math.Cos(mostTilt) - 1))
	c.rock = rock.New(rock.Options{
		Sigma: c.noise, Step: o.step(), Scale: k / float64(analysis.Micrometre), Least: o.Turns,
		Averages: o.Averages.Seconds(), Lag: o.Lag.Seconds(),
	})
	return c
}

func (c *turning) Feed(s Sample) []Result { return c.follow(s, c) }

func (c *turning) Reset() {
	c.gate.reset()
	c.start(0, c)
}

func (c *turning) Expect(size analysis.Length, u analysis.Deviation) {
	if u <= 0 {
		c.rock.Expect(0, 0)
		return
	}
	c.rock.Expect((size - c.o.Nominal).Micrometres(), analysis.Length(u).Micrometres())
}

func (c *turning) Progress() Progress {
	p := Progress{In: c.in, Done: c.done, Turns: c.rock.Passes()}
	if c.in {
		p.Least = c.o.Turns
	}
	if c.in && !c.done {
		p.Hint = doubts[c.rock.Doubt()]
	}
	return p
}

// doubts are the reasons for the doubts of a rock.
var doubts = [...]Reason{
	rock.None: FewTurns, rock.NoPass: NotRocked, rock.OnePass: OneTurn, rock.More: FewTurns, rock.Narrow: Narrow,
	rock.Quick: Fast, rock.Scatter: Disagree, rock.Turning: OneSide, rock.Averaged: Averaged,
}

func (c *turning) begin() { c.restart(0) }

func (c *turning) restart(float64) {
	c.spikes = despike{}
	c.rock.Begin()
}

func (c *turning) add(x sample, at time.Duration) {
	if x, ok := c.spikes.push(x, c.noise); ok {
		c.judge(x, at)
	}
}

// shortestVisit is the least time of a visit that was meant to give a reading.
const shortestVisit = 1500 * time.Millisecond

// leave judges the samples that were held back, and then takes what there is.
func (c *turning) leave(last Sample) Reason {
	for _, x := range c.spikes.rest() {
		c.judge(x, last.At)
	}
	if !c.done {
		if r, ok := c.rock.Leave(); ok {
			c.read(r, last.At)
		}
	}
	d := c.rock.Doubt()
	if d == rock.NoPass && last.At-c.began < shortestVisit {
		return Soon
	}
	return doubts[d]
}

func (c *turning) judge(x sample, at time.Duration) {
	c.count++
	r, ok := c.rock.Add(x.t, x.v)
	switch {
	case !ok && c.done:
		c.rearm(x, at)
	case ok && c.done && c.same(r.Size, r.U):
		c.rock.Since(r.Last)
	case ok:
		if c.done {
			c.move(at)
		}
		c.read(r, at)
	}
}

// rearm looks for what can't be of the place of the reading: two values in a row below its size.
func (c *turning) rearm(x sample, at time.Duration) {
	if x.v >= c.least {
		c.below = 0
	} else if c.below++; c.below >= 2 {
		c.move(at)
		return
	}
	if t, size, u, ok := c.rock.Latest(); ok && c.same(size, u) {
		c.rock.Since(t)
	}
}

// same reports whether a size may be that of the reading.
func (c *turning) same(size, u float64) bool {
	return math.Abs(size-c.size) <= analysis.Length(c.o.Rearm).Micrometres()/2+4*math.Hypot(u, c.u)
}

// read takes a reading, and forgets its passes.
func (c *turning) read(r rock.Reading, at time.Duration) {
	c.take(r.Size, Result{
		At: at, Since: c.moment(r.Since), Until: c.moment(r.Until), U: deviation(r.U),
		Turns: r.Passes, Quality: clamp01(1.5 - r.Misfit/2), Surprising: r.Surprising,
		Motion: r.Motion.Speed2, MotionSpread: r.Motion.Spread, MotionSlope: r.Motion.Slope,
	})
	c.rock.Since(r.Last)
	c.place = place{size: r.Size, u: r.U,
		least: r.Size - max(analysis.Length(c.o.Rearm).Micrometres(), c.o.step()/2+3.5*c.noise+3*r.U)}
}
