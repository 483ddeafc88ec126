package settle

import "math"

// longestLeaving is the longest time after a level until it is clear whether the operator draws the
// gauge out, draws it along or does neither, s (common practice).
const longestLeaving = 0.4

// watchLeaving watches how the value leaves the pending level. If the value goes far and comes
// back, the gauge was drawn along the bore to another place, so the level was real. If the value
// settles elsewhere, it may have been stuck before, and the level is dropped.
func (f *Finder) watchLeaving(x sample) {
	off := math.Abs(x.v - f.size)
	back, rests := f.movedAway(off)
	f.countOff(off)
	unstuck := f.unstuck(off)
	switch {
	case back || rests:
		if f.pending.alive || back {
			f.take()
			f.move(x.t)
		} else {
			f.pending, f.arrived = pending{}, x.t
		}
	case unstuck:
		f.pending = pending{}
	case off <= f.near():
		f.pending.nearAt = x.t
	case x.t-f.pending.nearAt > longestLeaving && f.farOff < f.o.Rearm:
		f.pending = pending{}
	}
}

// unstuck reports whether a value that stood still was stuck. It was stuck if it started again with
// a leap of two steps or more between two samples, and then went no further. A gauge at rest moves
// by one step, and a gauge that is drawn away moves on.
func (f *Finder) unstuck(off float64) bool {
	leapt := !f.pending.alive && f.leapOff > 0 && off > f.near() && off < f.leapOff+f.o.Step && f.farOff < f.o.Rearm
	f.leapOff = 0
	if f.repeats == 1 && f.leap > 1.5*f.o.Step {
		f.leapOff = off
	}
	return leapt
}

// movedAway reports whether the gauge went elsewhere within the bore: the value was far off the
// level, and then comes back or rests there. If the value only moves away, the gauge is being drawn
// out.
func (f *Finder) movedAway(off float64) (back, rests bool) {
	if f.off < 2 || f.farOff <= f.o.Rearm {
		return false, false
	}
	return f.farOff-off > f.width(), f.assess().class >= probablyLevel
}

// near returns how far from the pending level a sample may lie and still belong to it, µm. A value
// that stood on one step of the display may change to the next step, but no further.
func (f *Finder) near() float64 {
	if f.pending.alive {
		return f.width()
	}
	return 1.2*f.o.Step + 2*f.o.Repeatability
}

// countOff counts the samples in a row that lie off the level, and notes their largest distance. A
// wild sample that is sent twice counts once.
func (f *Finder) countOff(off float64) {
	if off <= f.width() {
		f.off, f.farOff = 0, 0
		return
	}
	if f.repeats == 1 {
		f.off++
	}
	f.farOff = max(f.farOff, off)
}

// seenLeaving reports whether a value between the pending level and free air was seen. beyond is
// the first sample out of the bore, and air the second. Drawing a gauge out takes a few tenths of a
// second (common practice), so some values lie in between. A stream that was stuck until then
// leaps.
func (f *Finder) seenLeaving(beyond, air float64) bool {
	between := func(v float64) bool {
		return math.Abs(v-f.size) > f.width() && math.Abs(v-air) > f.width()
	}
	return f.off > 0 || between(f.previous[1].v) || between(beyond)
}

// rearm looks for a move to another place after a reading.
func (f *Finder) rearm(x sample) {
	off := math.Abs(x.v - f.size)
	if back, rests := f.movedAway(off); back || rests {
		f.move(x.t)
		return
	}
	f.countOff(off)
}

// move reports at the time t that the gauge moved to another place.
func (f *Finder) move(t float64) {
	f.events = append(f.events, Event{Moved: true})
	f.done, f.off, f.farOff, f.trend, f.arrived = false, 0, 0, 0, t
}
