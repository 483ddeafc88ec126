package capture

import (
	"time"

	"fairbore/analysis"
)

// visit is the course of a visit, the same for a gauge that settles and one that turns.
type visit struct {
	gate
	began  time.Duration
	timing timing
	beyond Sample // the latest sample that was the first one out of the bore
	count  int    // samples that were looked at
	done   bool   // a reading of this place was taken
}

// sample is a Sample for computing: s since the visit began, µm from nominal.
type sample struct{ t, v float64 }

// follower looks at the samples of a visit.
type follower interface {
	Progress() Progress
	begin()                            // a visit begins
	restart(t float64)                 // the times of the samples before t (s) are no times of measurement
	add(x sample, at time.Duration)    // the next sample, which came at at
	leave(last Sample) (reason Reason) // the gauge left; says why there is no reading, if there is none
}

// follow feeds a sample to f.
func (c *visit) follow(s Sample, f follower) []Result {
	c.n = 0
	if c.broken(s.At) && c.in {
		c.in, c.out = false, 0
		c.end(s.At, Silent, f)
	}
	switch c.pass(s) {
	case enters:
		c.start(s.At, f)
		c.say(Result{Kind: Entered, At: s.At})
		c.add(s, f)
	case stays:
		c.add(s, f)
	case doubt:
		c.beyond = s
	case leaves:
		c.end(s.At, f.leave(s), f)
	}
	return c.res[:c.n]
}

// start begins a visit.
func (c *visit) start(at time.Duration, f follower) {
	c.began, c.done, c.count, c.timing = at, false, 0, timing{}
	f.begin()
}

func (c *visit) add(s Sample, f follower) {
	x := sample{(s.At - c.began).Seconds(), c.offset(s)}
	if c.timing.broken(x.t) {
		f.restart(x.t)
	}
	f.add(x, s.At)
}

// offset is how far a sample is from nominal, µm.
func (c *visit) offset(s Sample) float64 { return (s.Value - c.o.Nominal).Micrometres() }

// end ends a visit, and says why there was no reading, if there was none. A visit of one sample
// is noise at the edge of the band, and nobody wants to hear of it.
func (c *visit) end(at time.Duration, reason Reason, f follower) {
	if !c.done && c.count > 1 {
		c.say(Result{Kind: Refused, At: at, Reason: reason, Turns: f.Progress().Turns})
	}
	c.say(Result{Kind: Left, At: at})
}

// take says that r is a reading of a size, µm from nominal.
func (c *visit) take(size float64, r Result) {
	v, err := analysis.FromMicrometres(size)
	if err != nil {
		return
	}
	r.Kind, r.Value = Taken, c.o.Nominal+v
	c.say(r)
	c.done = true
}

// move says that the gauge went on to another place.
func (c *visit) move(at time.Duration) {
	c.say(Result{Kind: Moved, At: at})
	c.done = false
}

// moment is when so many seconds of the visit had passed.
func (c *visit) moment(t float64) time.Duration { return c.began + seconds(t) }

func seconds(t float64) time.Duration { return time.Duration(t * float64(time.Second)) }

func clamp01(x float64) float64 { return min(1, max(0, x)) }
