package capture

import (
	"time"

	"fairbore/analysis"
)

// longestSilence is the silence after which a visit cannot be one movement of the hand
// any more: it is begun again.
const longestSilence = 3 * time.Second

// gate is what all modes have in common: whether the gauge is in the bore, and
// the results to give back.
type gate struct {
	o    Options
	tilt analysis.Length // how far above the band a tilted gauge may show
	air  air
	in   bool
	out  int           // samples out of the bore, one after the other
	last time.Duration // of the last sample
	some bool          // there was a last sample
	res  [4]Result
	n    int
}

// newGate returns the gate of a capture with these options.
func newGate(o Options) gate { return gate{o: o, air: newAir(&o)} }

func (g *gate) say(r Result) {
	if g.n < len(g.res) {
		g.res[g.n] = r
		g.n++
	}
}

// within reports whether v lies in the band about nominal, and below what the gauge
// shows in free air. It takes care of values so far off that a difference overflows.
func (g *gate) within(v analysis.Length) bool {
	band := analysis.Length(g.o.Band)
	return v >= g.o.Nominal-band && v <= g.o.Nominal+band+g.tilt && !g.air.shows(v)
}

// broken notes the time of a sample and reports whether it does not follow on
// the last one: time ran backwards, or the stream was silent too long.
func (g *gate) broken(at time.Duration) bool {
	was, some := g.last, g.some
	g.last, g.some = at, true
	return some && (at < was || at > was+longestSilence || was+longestSilence < was)
}

// passage is what a sample means for being in the bore.
type passage uint8

const (
	stays   passage = iota // in the bore, as before
	enters                 // the first sample in it
	doubt                  // out of it once: a spike, or the start of leaving
	leaves                 // out of it
	outside                // still out of it
)

// pass judges one sample. A single sample out of the bore does not end a
// visit: gauges send a wild value now and then.
func (g *gate) pass(s Sample) passage {
	g.air.learn(s)
	switch {
	case g.within(s.Value):
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

func (g *gate) reset() { *g = gate{o: g.o, tilt: g.tilt, air: g.air} }

// Expect does nothing: where a gauge rests, the level tells without.
func (g *gate) Expect(analysis.Length, analysis.Deviation) {}

// Air returns the value in free air.
func (g *gate) Air() analysis.Length { return g.air.level }

// air is what the gauge shows out of the bore: a stop of its travel, where the value
// rests. It is stated, or the highest value at which the gauge has rested
// so far above nominal that no bore is there.
type air struct {
	level  analysis.Length // 0: not known
	stated bool
	above  analysis.Length // no bore is there: nominal and leastTravel
	margin analysis.Length // how far below the level it is still in air
	around analysis.Length // how far a value that rests wanders
	rests  analysis.Length // where it rests now
	since  time.Duration
	some   bool
}

// A gauge has at least so much travel above the ring (common practice: plug gauges
// 0.15 mm and more), and at most so much: what it shows beyond it says that it fails. It rests for at
// least so long out of the bore.
const (
	leastTravel = 100 * analysis.Micrometre
	mostTravel  = 5 * analysis.Millimetre
	leastRest   = 800 * time.Millisecond
)

func newAir(o *Options) air {
	around := analysis.Length(6*o.noise()*float64(analysis.Micrometre)) + analysis.Length(o.Resolution)
	a := air{level: o.Air, stated: o.Air > 0 && !o.AirLearned, above: o.Nominal + leastTravel, around: around}
	a.margin = max(2*around, 10*analysis.Micrometre)
	return a
}

// shows reports whether v is what the gauge shows in free air.
func (a *air) shows(v analysis.Length) bool { return a.level > 0 && v > a.level-a.margin }

// learn follows where the value rests.
func (a *air) learn(s Sample) {
	if a.stated || s.Value < a.above || s.Value > a.above+mostTravel {
		a.some = false
		return
	}
	if off := s.Value - a.rests; !a.some || off > a.around || off < -a.around || s.At < a.since {
		a.rests, a.since, a.some = s.Value, s.At, true
		return
	}
	if s.At-a.since >= leastRest && a.rests > a.level {
		a.level = a.rests
	}
}
