package capture

import (
	"time"

	"fairbore/analysis"
)

// visit follows one visit of the gauge to the bore, both for a gauge that settles and for one that
// is rocked.
type visit struct {
	gate
	began  time.Duration
	timing timing
	beyond Sample // the latest sample that was the first one out of the bore
	count  int    // number of samples in the bore so far
	done   bool   // this place has given a reading
}

// sample is a [Sample] in units for computing: seconds since the visit began, and µm from nominal.
type sample struct{ t, v float64 }

// follower looks for readings in the samples of a visit.
type follower interface {
	Progress() Progress
	begin()                            // a visit begins
	restart(t float64)                 // forget the samples before t (s): their times are not times of measurement
	add(x sample, at time.Duration)    // takes the next sample, which came at the time at
	leave(last Sample) (reason Reason) // the gauge left; the reason says why there is no reading, and is empty if there is one
}

// follow passes a sample on to f.
func (c *visit) follow(s Sample, f follower) []Result {
	c.n = 0
	if c.broken(s.At) && c.in {
		c.in, c.outside = false, 0
		c.end(s.At, Silent, f)
	}
	switch c.classify(s) {
	case enters:
		c.start(s.At, f)
		c.report(Result{Kind: Entered, At: s.At})
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

// offset returns how far a sample is from nominal, µm.
func (c *visit) offset(s Sample) float64 { return (s.Value - c.o.Nominal).Micrometres() }

// end ends a visit, and reports the reason if there was no reading. It does not report a visit of one
// sample, which is noise at the edge of the band.
func (c *visit) end(at time.Duration, reason Reason, f follower) {
	if !c.done && c.count > 1 {
		c.report(Result{Kind: Refused, At: at, Reason: reason, Passes: f.Progress().Passes})
	}
	c.report(Result{Kind: Left, At: at})
}

// take reports the reading r of a size, µm from nominal.
func (c *visit) take(size float64, r Result) {
	v, err := analysis.FromMicrometres(size)
	if err != nil {
		return
	}
	r.Kind, r.Value = Taken, c.o.Nominal+v
	c.report(r)
	c.done = true
}

// move reports that the gauge went on to another place.
func (c *visit) move(at time.Duration) {
	c.report(Result{Kind: Moved, At: at})
	c.done = false
}

// timeAt returns the time at which the visit had lasted t seconds.
func (c *visit) timeAt(t float64) time.Duration { return c.began + seconds(t) }

func seconds(t float64) time.Duration { return time.Duration(t * float64(time.Second)) }

func clamp01(x float64) float64 { return min(1, max(0, x)) }
