package capture

import (
	"time"

	"fairbore/analysis"
)

// maxGap is the silence after which a visit cannot be one movement of the hand
// any more: it is begun again.
const maxGap = 3 * time.Second

// gate is what all modes have in common: whether the gauge is in the bore, and
// the results to give back.
type gate struct {
	o    Options
	tilt analysis.Length // how far above the band a tilted gauge may show
	in   bool
	out  int           // samples beyond the band, one after the other
	last time.Duration // of the last sample
	some bool          // there was a last sample
	res  [4]Result
	n    int
}

func (g *gate) say(r Result) {
	if g.n < len(g.res) {
		g.res[g.n] = r
		g.n++
	}
}

// within reports whether v lies in the band about nominal. It takes care of
// values so far off that a difference overflows.
func (g *gate) within(v analysis.Length) bool {
	band := analysis.Length(g.o.Band)
	return v >= g.o.Nominal-band && v <= g.o.Nominal+band+g.tilt
}

// broken notes the time of a sample and reports whether it does not follow on
// the last one: time ran backwards, or the stream was silent too long.
func (g *gate) broken(at time.Duration) bool {
	was, some := g.last, g.some
	g.last, g.some = at, true
	return some && (at < was || at > was+maxGap || was+maxGap < was)
}

// passage is what a sample means for being in the bore.
type passage uint8

const (
	stays   passage = iota // in the bore, as before
	enters                 // the first sample in it
	doubt                  // out of the band once: a spike, or the start of leaving
	leaves                 // out of it
	outside                // still out of it
)

// pass judges one sample. A single sample out of the band does not end a
// visit: gauges send a wild value now and then.
func (g *gate) pass(v analysis.Length) passage {
	switch {
	case g.within(v):
		g.out = 0
		if g.in {
			return stays
		}
		g.in = true
		return enters
	case !g.in:
		return outside
	}
	if g.out++; g.out < 2 {
		return doubt
	}
	g.in, g.out = false, 0
	return leaves
}

func (g *gate) reset() { *g = gate{o: g.o, tilt: g.tilt} }

// Expect is not made use of.
func (g *gate) Expect(analysis.Length, analysis.Deviation) {}

// Air returns the value in free air as it was stated.
func (g *gate) Air() analysis.Length { return g.o.Air }
