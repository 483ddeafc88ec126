package capture

import (
	"math"
	"slices"
	"time"

	"fairbore/analysis"
)

// alike is the part of the height of a rock's passes that one must have on both
// sides to be one of them, and not a waver of the hand on the way in or at rest.
const alike = 0.3

// late is how much longer than usual the pass after a reading may take, in passes: some hands stop to listen.
const late = 0.6

// attempt tries the latest passes, as many as agree. What is beyond doubt is taken;
// what is only likely is kept until more passes tell, or the gauge leaves and none
// of them has spoken against it: rocks of three passes often leave some doubt, and
// a slip on a chamfer that looks like one betrays itself with the next pass.
func (c *turning) attempt(at time.Duration, leaving bool) {
	before := c.reading
	c.kept = Result{}
	agreed := 0 // so many are a rock, whatever came before them
	for passes := c.turns.minima(); passes >= c.o.Turns; passes-- {
		l := c.merged(passes)
		if len(l)/2 < c.o.Turns {
			continue
		}
		if len(l)/2 > most || !c.held(l[0].index) {
			continue
		}
		why := c.try(l)
		more := agreed == passes+1
		if why == "" {
			agreed = passes
			if c.undercut(passes) {
				why = Disagree
			}
		}
		if why != "" {
			c.why = why
			continue
		}
		doubt, left := c.rock.doubt(c.worst()), !more && c.leftOut(passes)
		if left && (passes == c.o.Turns || doubt > firm) {
			c.why = Uneven
			continue
		}
		known := c.rock.margin() <= c.worst()
		sure := known && (doubt < firm || c.rock.ends-1 > c.o.Turns) && !left
		if !sure && !leaving && c.turns.n%2 == 0 { // the rest of the pass will tell more
			c.why = FewTurns
			break
		}
		if c.kept.Kind == Taken && !sure || !c.keep(at, l) {
			continue
		}
		c.why = FewTurns
		if sure {
			c.back = max(c.clock.last, c.final+late*c.half)
			c.release(at)
			return
		}
		if !known { // still less so by fewer passes
			break
		}
	}
	if c.kept.Kind == Taken || before.kept.Kind != Taken {
		return
	}
	c.reading = before
	switch {
	case !c.contradicted():
		c.why = FewTurns
	case c.kept.Turns > c.o.Turns || c.turns.latest(1)[1].t-c.back > c.pause(): // so many agree, or so long ago, that the gauge has rather gone on
		c.release(at)
	default:
		c.kept = Result{}
	}
}

// contradicted reports whether the latest pass is as tall as those of the reading
// that was kept, and turned elsewhere. It must be whole: a hand that comes to rest
// near square, and then draws the gauge out, makes half of one.
func (c *turning) contradicted() bool {
	l := c.turns.latest(1)
	return len(l) == 3 && c.beside(l) != 0
}

// leftOut reports whether a pass just before those that agree, as tall as they, does not.
func (c *turning) leftOut(passes int) bool {
	if passes == c.turns.minima() || c.turns.entry(passes) {
		return false
	}
	l := c.turns.latest(passes + 1)
	low := math.Inf(1)
	for i := 3; i+1 < len(l); i += 2 {
		low = min(low, min(l[i-1].v, l[i+1].v)-l[i].v)
	}
	half := (l[len(l)-1].t - l[3].t) / float64(passes-1)
	return min(l[0].v, l[2].v)-l[1].v > alike*low && l[3].t-l[1].t < 2*half
}

// undercut reports whether one of the two passes before those that agree went
// below their size, which it can't have done in the same place.
func (c *turning) undercut(passes int) bool {
	floor := c.rock.plain.size - 5*c.rock.margin() - c.turns.hysteresis/2
	all := c.turns.latest(min(passes+2, c.turns.minima()))
	from := 1
	if c.turns.entry(len(all)/2 - 1) {
		from = 3
	}
	to := len(all) - len(c.turns.latest(passes))
	for i := from; i < to; i += 2 {
		a, l, b := all[i-1].v, all[i].v, all[i+1].v
		if l < floor && min(a, b)-l > alike*(max(a, b)-l) {
			return true
		}
	}
	return false
}

// keep works out the reading that the passes would be which were fitted last, of the turning
// points l.
func (c *turning) keep(at time.Duration, l []extreme) bool {
	k := &c.rock
	if !k.refine() || k.beyond > mostWrong {
		c.why = Fast
		return false
	}
	v, err := analysis.FromMicrometres(k.size)
	if err != nil {
		return false
	}
	lowest, top := heights(l)
	c.level, c.tall, c.final = k.size, top-lowest, l[len(l)/2*2-1].t
	c.back, c.away, c.below = c.final, 0, 0
	c.least = k.size - max(analysis.Length(c.o.Rearm).Micrometres(), c.o.step()/2+3.5*k.own+2*k.margin())
	c.half = 0
	for i := 3; i < len(l); i += 2 {
		c.half = max(c.half, l[i].t-l[i-2].t)
	}
	since := c.began + time.Duration(l[1].t*float64(time.Second))
	until := c.began + time.Duration(k.t[len(k.t)-1]*float64(time.Second))
	c.kept = Result{Kind: Taken, At: at, Since: since, Until: until, Value: c.o.Nominal + v, U: deviation(k.uncertainty()),
		Turns: k.ends - 1, Quality: clamp01(2 - k.ratio())}
	return true
}

// release takes the reading that was kept, if there is one.
func (c *turning) release(at time.Duration) {
	if c.kept.Kind != Taken {
		return
	}
	c.kept.At = at
	c.say(c.kept)
	c.kept, c.done = Result{}, true
}

// tooSoon is the part of the usual time between passes in which there is no other.
const tooSoon = 0.4

// merged are the turning points of the latest passes, of which two that follow one another too
// soon are taken for one: a hand that wavered at square, or a wild value.
func (c *turning) merged(passes int) []extreme {
	l := c.turns.latest(passes)
	if passes <= c.o.Turns {
		return l
	}
	var gaps [turnCap / 2]float64
	for i := range passes - 1 {
		gaps[i] = l[2*i+3].t - l[2*i+1].t
	}
	slices.Sort(gaps[:passes-1])
	soon := tooSoon * gaps[(passes-1)/2]
	m := append(c.list[:0], l[:2]...)
	for i := 3; i < len(l); i += 2 {
		last := &m[len(m)-1]
		switch {
		case l[i].t-last.t >= soon:
			m = append(m, l[i-1], l[i])
		case l[i].v < last.v:
			*last = l[i]
		}
	}
	return append(m, l[2*passes:]...)
}
