package capture

import "math"

// outer is how far up, as a part of the lower end between passes, the way to the
// first pass and from the last counts: beyond it may be something else.
const outer = 0.7

// collect takes the samples of the rock from the ring.
func (c *turning) collect(l []extreme, lowest float64) {
	k := &c.rock
	passes := len(l) / 2
	_, top := heights(l)
	top -= lowest
	first, last := l[1], l[2*passes-1]
	from, to := k.p[pEnd], k.p[pEnd+2*passes]
	n, swing := 0, 0
	for i := c.outermost(l, first.index, lowest+outer*top); i < c.count; i++ {
		if next := 2 * (swing + 1); next < 2*passes && i >= l[next].index {
			swing++
		}
		x := c.ring[i%ringCap]
		if i > last.index && (x.t > to || x.v-lowest > outer*top) {
			break
		}
		if x.t < from || c.repeated(i) {
			continue
		}
		c.buf.t[n], c.buf.v[n], c.buf.swing[n] = x.t, x.v, uint8(swing)
		n++
	}
	b := &c.buf
	k.t, k.v, k.swing = b.t[:n], b.v[:n], b.swing[:n]
	k.weight, k.slopes, k.excess, k.rest, k.sigma = b.weight[:n], b.slopes[:n], b.excess[:n], b.rest[:n], b.sigma[:n]
}

// outermost is the first sample, before the first pass, that is below the top.
func (c *turning) outermost(l []extreme, i int, top float64) int {
	for i > l[0].index && c.held(i-1) && c.ring[(i-1)%ringCap].v <= top {
		i--
	}
	return i
}

// repeated reports whether sample i is the one before it sent again: the same to
// the last digit, and then the value leaps.
func (c *turning) repeated(i int) bool {
	v := c.ring[i%ringCap].v
	if i == 0 || c.ring[(i-1)%ringCap].v != v {
		return false
	}
	for i++; i < c.count; i++ {
		if next := c.ring[i%ringCap].v; next != v {
			return math.Abs(next-v) > leap*c.noise
		}
	}
	return false
}

// leap is how far, in standard deviations of a sample, a value goes on after one
// that was sent twice.
const leap = 4
