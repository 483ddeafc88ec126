package capture

import (
	"time"

	"fairbore/analysis"
)

// longestSilence is the longest silence within a visit. After a longer one the samples cannot belong
// to one movement of the hand, and the visit starts again.
const longestSilence = 3 * time.Second

// gate is the part that all modes share: it knows whether the gauge is in the bore, and holds the
// results to return.
type gate struct {
	o       Options
	tilt    analysis.Length // by how much a tilted gauge in the bore may show more than the band
	air     air
	in      bool
	outside int           // number of samples in a row that are out of the bore
	last    time.Duration // time of the last sample
	started bool          // last is set
	res     [4]Result
	n       int
}

// newGate returns the gate of a capture with these options.
func newGate(o Options) gate { return gate{o: o, air: newAir(&o)} }

func (g *gate) report(r Result) {
	if g.n < len(g.res) {
		g.res[g.n] = r
		g.n++
	}
}

// within reports whether v lies in the band about nominal and below what the gauge shows in free air.
// It compares sums, as a difference of wild values may overflow.
func (g *gate) within(v analysis.Length) bool {
	band := analysis.Length(g.o.Band)
	return v >= g.o.Nominal-band && v <= g.o.Nominal+band+g.tilt && !g.air.shows(v)
}

// broken notes the time of a sample. It reports whether time ran backwards since the previous
// sample, or the stream was silent too long.
func (g *gate) broken(at time.Duration) bool {
	was, some := g.last, g.started
	g.last, g.started = at, true
	return some && (at < was || at > was+longestSilence || was+longestSilence < was)
}

// crossing says what a sample means for whether the gauge is in the bore.
type crossing uint8

const (
	stays   crossing = iota // still in the bore
	enters                  // the first sample in the bore
	doubt                   // one sample out of the bore: a spike, or the start of leaving
	leaves                  // it has left the bore
	outside                 // still out of the bore
)

// classify judges one sample. A single sample out of the bore does not end a visit, as gauges send a wild
// value now and then.
func (g *gate) classify(s Sample) crossing {
	g.air.learn(s)
	switch {
	case g.within(s.Value):
		g.outside = 0
		if g.in {
			return stays
		}
		g.in = true
		return enters
	case !g.in:
		return outside
	}
	if g.outside++; g.outside < 2 {
		return doubt
	}
	g.in, g.outside = false, 0
	return leaves
}

func (g *gate) reset() { *g = gate{o: g.o, tilt: g.tilt, air: g.air} }

// Expect does nothing: a gauge at rest needs no expected size.
func (g *gate) Expect(analysis.Length, analysis.Deviation) {}

// Air returns the value that the gauge shows in free air; 0: not known yet.
func (g *gate) Air() analysis.Length { return g.air.level }

// air knows the value that the gauge shows in free air, where its travel ends at a stop. Either the
// value is stated, or it is learned. The learned value is the highest one at which the gauge has
// rested so far above nominal that no bore has that size.
type air struct {
	level   analysis.Length // 0: not known
	stated  bool
	above   analysis.Length // no bore is as large as this: nominal plus minTravel
	margin  analysis.Length // how far below the level still counts as free air
	wander  analysis.Length // how far a value at rest wanders
	rests   analysis.Length // value at which the gauge rests now
	since   time.Duration
	resting bool
}

// A gauge has a travel of at least minTravel above the ring (common practice: plug gauges have 0.15
// mm and more). Its travel is at most maxTravel; a larger value means that the gauge has failed.
// Out of the bore the gauge rests for at least minRest.
const (
	minTravel = 100 * analysis.Micrometre
	maxTravel = 5 * analysis.Millimetre
	minRest   = 800 * time.Millisecond
)

func newAir(o *Options) air {
	around := analysis.Length(6*o.noise()*float64(analysis.Micrometre)) + analysis.Length(o.Resolution)
	a := air{level: o.Air, stated: o.Air > 0 && !o.AirLearned, above: o.Nominal + minTravel, wander: around}
	a.margin = max(2*around, 10*analysis.Micrometre)
	return a
}

// shows reports whether v is what the gauge shows in free air.
func (a *air) shows(v analysis.Length) bool { return a.level > 0 && v > a.level-a.margin }

// learn notes a sample, and learns the level of free air where the value rests.
func (a *air) learn(s Sample) {
	if a.stated || s.Value < a.above || s.Value > a.above+maxTravel {
		a.resting = false
		return
	}
	if off := s.Value - a.rests; !a.resting || off > a.wander || off < -a.wander || s.At < a.since {
		a.rests, a.since, a.resting = s.Value, s.At, true
		return
	}
	if s.At-a.since >= minRest && a.rests > a.level {
		a.level = a.rests
	}
}
