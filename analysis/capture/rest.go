package capture

import "slices"

// Many hands end a rock at rest near square (common practice). On a fine display the samples
// there do not follow the swing that they are fitted as; on a coarse one they show the same
// step as a pass would, and pull the size by 1 µm and more. But the gauge stays there
// for longer than it takes to pass (limits from simulated visits).
const (
	restHeight = 0.25 // up to which a pass is timed, as a part of the lowest end between passes
	restLonger = 1.7  // times the median of the passes
	restMore   = 0.25 // s more than it
)

// rested reports whether the gauge stayed near square in one of the passes.
func (c *turning) rested(l []extreme) bool {
	lowest, top := heights(l)
	level := lowest + restHeight*(top-lowest)
	var times [most]float64
	passes := times[:len(l)/2]
	for i := range passes {
		passes[i] = c.timed(l[2*i+1].index, level)
	}
	slices.Sort(passes)
	longest, median := passes[len(passes)-1], passes[(len(passes)-1)/2]
	return longest > restLonger*median && longest > median+restMore
}

// timed is how long the value was below a level around sample i of the visit, s.
func (c *turning) timed(i int, level float64) float64 {
	from, to := i, i
	for c.held(from-1) && c.ring[(from-1)%ringCap].v <= level {
		from--
	}
	for c.held(to+1) && c.ring[(to+1)%ringCap].v <= level {
		to++
	}
	return c.crossed(to, to+1, level) - c.crossed(from, from-1, level)
}

// crossed is when the value crossed a level between a sample and one beside it that lies above;
// that of the first where there is none.
func (c *turning) crossed(in, out int, level float64) float64 {
	a := c.ring[in%ringCap]
	if !c.held(out) {
		return a.t
	}
	b := c.ring[out%ringCap]
	return a.t + (b.t-a.t)*max(0, (level-a.v)/(b.v-a.v))
}
