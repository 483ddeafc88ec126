package capture

import (
	"math"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture/rock"
)

// turning takes the size at which the value of a rocked gauge turns. Package rock finds the passes
// through square and says whether their size may be believed. turning knows when a visit begins and
// ends, and whether a reading is of another place.
//
// After a reading the operator may draw the gauge along to another place, or rock on. If both
// places have the same size, the samples cannot tell one from the other, because the hand may also
// rest at a tilt and then rock on. A place that is read twice would give the next place a wrong
// reading. So only another size counts as another place. To gauge another place of the same size,
// the operator draws the gauge out first.
type turning struct {
	visit
	noise  float64 // standard deviation of a sample, µm
	spikes despike
	rock   *rock.Finder
	lastReading
}

// lastReading is the size of the place that was read last.
type lastReading struct {
	size, u float64 // µm from nominal, and its standard uncertainty
	floor   float64 // a limit, µm: at that place no two samples in a row lie below it
	below   int     // number of samples in a row below floor
}

// maxTilt is the largest tilt of a gauge in the bore, rad.
const maxTilt = 7 * math.Pi / 180

func newTurning(o Options) *turning {
	c := &turning{visit: visit{gate: newGate(o)}, noise: o.noise()}
	k := float64(o.Nominal - 2*o.Tip)
	c.tilt = analysis.Length(k * (1/math.Cos(maxTilt) - 1))
	c.rock = rock.New(rock.Options{
		Sigma: c.noise, Step: o.step(), Scale: k / float64(analysis.Micrometre), MinPasses: o.Turns,
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
	p := Progress{In: c.in, Done: c.done, Passes: c.rock.Passes()}
	if c.in {
		p.Needed = c.o.Turns
	}
	if c.in && !c.done {
		p.Hint = rockReasons[c.rock.Doubt()]
	}
	return p
}

// rockReasons maps the doubts of package rock to reasons.
var rockReasons = [...]Reason{
	rock.None: FewPasses, rock.NoPass: NotRocked, rock.OnePass: OnePass, rock.OneMore: FewPasses, rock.Narrow: Narrow,
	rock.TooFast: TooFast, rock.Scatter: Scattered, rock.TurnsBack: OneSide, rock.Averaged: Averaged,
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

// shortestVisit is the shortest visit that can have been meant to give a reading.
const shortestVisit = 1500 * time.Millisecond

// leave judges the samples that were held back, and then takes the reading if there is one.
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
		return TooShort
	}
	return rockReasons[d]
}

func (c *turning) judge(x sample, at time.Duration) {
	c.count++
	r, ok := c.rock.Add(x.t, x.v)
	switch {
	case !ok && c.done:
		c.rearm(x, at)
	case ok && c.done && c.same(r.Size, r.U):
		c.rock.ForgetUntil(r.Last)
	case ok:
		if c.done {
			c.move(at)
		}
		c.read(r, at)
	}
}

// rearm looks for signs of another place: two values in a row below the size of the reading.
func (c *turning) rearm(x sample, at time.Duration) {
	if x.v >= c.floor {
		c.below = 0
	} else if c.below++; c.below >= 2 {
		c.move(at)
		return
	}
	if t, size, u, ok := c.rock.LatestPass(); ok && c.same(size, u) {
		c.rock.ForgetUntil(t)
	}
}

// same reports whether a size may be the size of the last reading.
func (c *turning) same(size, u float64) bool {
	return math.Abs(size-c.size) <= analysis.Length(c.o.Rearm).Micrometres()/2+4*math.Hypot(u, c.u)
}

// read takes a reading, and forgets the passes that it used.
func (c *turning) read(r rock.Reading, at time.Duration) {
	c.take(r.Size, Result{
		At: at, Since: c.timeAt(r.Since), Until: c.timeAt(r.Until), U: deviation(r.U),
		Passes: r.Passes, Quality: clamp01(1.5 - r.Misfit/2), Surprising: r.Surprising,
		Motion: r.Motion.Speed2, MotionSpread: r.Motion.Spread, MotionSlope: r.Motion.Slope,
	})
	c.rock.ForgetUntil(r.Last)
	c.lastReading = lastReading{size: r.Size, u: r.U,
		floor: r.Size - max(analysis.Length(c.o.Rearm).Micrometres(), c.o.step()/2+3.5*c.noise+3*r.U)}
}
