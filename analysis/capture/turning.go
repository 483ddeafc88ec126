package capture

import (
	"math"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture/rock"
)

// turning takes the size at which a rocked gauge turns. Package rock finds the passes
// through square and believes them or not; here are the visits: in, moved on, out.
type turning struct {
	gate
	noise  float64 // of a sample, µm
	began  time.Duration
	clock  pace
	spikes despike
	rock   *rock.Rock
	count  int // samples of the visit
	done   bool
	place
}

// place is where the reading was taken that was taken last.
type place struct {
	level, u float64 // µm from nominal
	least    float64 // below it no two samples of the place lie
	below    int     // samples below least, one after the other
}

// gateTilt is how far a gauge may be tilted in the bore and still be in it.
const gateTilt = 7 * math.Pi / 180

func newTurning(o Options) *turning {
	c := &turning{gate: newGate(o), noise: o.noise()}
	k := float64(o.Nominal - 2*o.Tip)
	c.tilt = analysis.Length(k * (1/math.Cos(gateTilt) - 1))
	c.rock = rock.New(rock.Options{
		Sigma: c.noise, Step: o.step(), Scale: k / float64(analysis.Micrometre), Least: o.Turns,
		Averages: o.Averages.Seconds(), Lag: o.Lag.Seconds(),
	})
	return c
}

func (c *turning) Reset() {
	c.gate.reset()
	c.done, c.count = false, 0
	c.clock.begin()
	c.spikes = despike{}
	c.rock.Begin()
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

func (c *turning) Feed(s Sample) []Result {
	c.n = 0
	if c.broken(s.At) {
		c.interrupt(s.At)
	}
	switch c.pass(s) {
	case enters:
		c.begin(s.At)
		c.say(Result{Kind: Entered, At: s.At})
		c.add(s)
	case stays:
		c.add(s)
	case leaves:
		c.leave(s.At)
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
	c.began, c.done, c.count = at, false, 0
	c.clock.begin()
	c.spikes = despike{}
	c.rock.Begin()
}

// leave judges what was held back when the gauge has left.
func (c *turning) leave(at time.Duration) {
	for _, x := range c.spikes.rest() {
		c.judge(x, at)
	}
	if !c.done {
		if r, ok := c.rock.Leave(); ok {
			c.take(r, at)
		}
	}
}

// brief is a visit too short to have meant a reading.
const brief = 1.5 // s

func (c *turning) end(at time.Duration, why Reason) {
	if !c.done && c.count > 1 {
		c.say(Result{Kind: Refused, At: at, Reason: why, Turns: c.rock.Passes()})
	}
}

// doubts are the reasons for the doubts of a rock.
var doubts = [...]Reason{
	rock.None: FewTurns, rock.NoPass: NotRocked, rock.OnePass: OneTurn, rock.More: FewTurns, rock.Narrow: Narrow,
	rock.Quick: Fast, rock.Scatter: Disagree, rock.Turning: OneSide, rock.Averaged: Averaged,
}

func (c *turning) reason(t float64) Reason {
	d := c.rock.Doubt()
	if d == rock.NoPass && t < brief {
		return Soon
	}
	return doubts[d]
}

func (c *turning) add(s Sample) {
	x := sample{(s.At - c.began).Seconds(), (s.Value - c.o.Nominal).Micrometres()}
	if c.clock.tick(x.t) { // times that can't be trusted: begin the passes again
		c.spikes = despike{}
		c.rock.Begin()
	}
	if x, ok := c.spikes.push(x, c.noise); ok {
		c.judge(x, s.At)
	}
}

func (c *turning) judge(x sample, at time.Duration) {
	c.count++
	r, ok := c.rock.Add(x.t, x.v)
	switch {
	case c.done && ok:
		c.another(r, at)
	case c.done:
		c.rearm(x, at)
	case ok:
		c.take(r, at)
	}
}

// take takes a reading.
func (c *turning) take(r rock.Reading, at time.Duration) {
	v, err := analysis.FromMicrometres(r.Size)
	if err != nil {
		return
	}
	moment := func(t float64) time.Duration { return c.began + time.Duration(t*float64(time.Second)) }
	c.say(Result{
		Kind: Taken, At: at, Since: moment(r.Since), Until: moment(r.Until), Value: c.o.Nominal + v, U: deviation(r.U),
		Turns: r.Passes, Quality: clamp01(1.5 - r.Misfit/2), Surprising: r.Surprising,
		Motion: r.Motion.Speed2, MotionSpread: r.Motion.Spread, MotionSlope: r.Motion.Slope,
	})
	c.done = true
	c.rock.Since(r.Last)
	c.place = place{level: r.Size, u: r.U,
		least: r.Size - max(analysis.Length(c.o.Rearm).Micrometres(), c.o.step()/2+3.5*c.noise+3*r.U)}
}
