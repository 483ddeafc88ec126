package capture

import (
	"math"
	"time"
)

// Given is what the fit of the rock makes of a visit of which it is told when the gauge stood
// at the ends of its swings: the most passes that it would take when the gauge leaves.
func Given(o Options, samples []Sample, ends []time.Duration) (Result, bool) {
	o.fill()
	c := newTurning(o)
	c.began, c.floor = samples[0].At, math.Inf(1)
	for _, s := range samples {
		x := sample{(s.At - c.began).Seconds(), (s.Value - o.Nominal).Micrometres()}
		if x, ok := c.spikes.push(x, c.noise); ok {
			c.ring[c.count%ringCap] = x
			c.count++
		}
	}
	l := c.ends(ends)
	for passes := min(most, len(ends)-1); passes >= o.Turns; passes-- {
		for from := 0; from+2*passes < len(l); from += 2 {
			if c.try(l[from:from+2*passes+1]) == "" && c.keep(samples[len(samples)-1].At, l[from:]) {
				return c.kept, true
			}
		}
	}
	return Result{}, false
}

// ends are the turning points between the times given: none where a swing has no sample.
func (c *turning) ends(at []time.Duration) (l []extreme) {
	i := max(0, c.count-ringCap)
	for n, e := range at {
		low := extreme{index: -1}
		for ; i < c.count && c.ring[i%ringCap].t < (e-c.began).Seconds(); i++ {
			if x := c.ring[i%ringCap]; low.index < 0 || x.v < low.v {
				low = extreme{index: i, sample: x}
			}
		}
		if i == 0 || i >= c.count || n > 0 && low.index < 0 {
			return nil
		}
		if n > 0 {
			v := func(i int) float64 { return c.ring[i%ringCap].v }
			low.miss = math.Abs(v(low.index-1)+v(low.index+1)-2*low.v) / 8
			l = append(l, low)
		}
		l = append(l, extreme{index: i, sample: sample{(e - c.began).Seconds(), c.ring[(i-1)%ringCap].v}})
	}
	return l
}
