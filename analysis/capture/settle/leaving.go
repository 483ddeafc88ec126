package settle

import "math"

// longestLeaving is the most that it takes to get from a level to where it is clear whether
// the gauge is drawn out, drawn along or neither, s (common practice).
const longestLeaving = 0.4

// depart watches the value go from the level that is pending. If it went far and came back, the gauge was
// drawn along the bore to another place, so the level was one. If it settled elsewhere, it
// may as well have been stuck, and the level is given up.
func (f *Finder) depart(x sample) {
	off := math.Abs(x.v - f.size)
	back, rests := f.gone(off)
	f.stray(off)
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

// unstuck reports whether a value that stood still came back with a leap, so that it was stuck: by two steps and more
// from one sample to the next, and then no further off. A gauge at rest wanders by one step, and one that is
// drawn away goes on.
func (f *Finder) unstuck(off float64) bool {
	leapt := !f.pending.alive && f.leapOff > 0 && off > f.near() && off < f.leapOff+f.o.Step && f.farOff < f.o.Rearm
	f.leapOff = 0
	if f.repeats == 1 && f.leap > 1.5*f.o.Step {
		f.leapOff = off
	}
	return leapt
}

// gone reports whether the gauge has gone elsewhere without leaving the bore: the value
// was far off the level, and comes back, or rests there. If it only goes off, the gauge is
// being drawn out.
func (f *Finder) gone(off float64) (back, rests bool) {
	if f.off < 2 || f.farOff <= f.o.Rearm {
		return false, false
	}
	return f.farOff-off > f.width(), f.assess().class >= likely
}

// near is how far from the pending level a sample may be to be of it, µm. A value that
// stood on a step of the display may change to the next step, but no further.
func (f *Finder) near() float64 {
	if f.pending.alive {
		return f.width()
	}
	return 1.2*f.o.Step + 2*f.o.Repeatability
}

// stray counts the samples in a row that lie off the level, and notes how far. A wild one
// that is sent again is counted once.
func (f *Finder) stray(off float64) {
	if off <= f.width() {
		f.off, f.farOff = 0, 0
		return
	}
	if f.repeats == 1 {
		f.off++
	}
	f.farOff = max(f.farOff, off)
}

// seenLeaving reports whether some value was seen between the pending level and air, the value of the second
// sample out of the bore; beyond is that of the first. A gauge takes a few tenths of a second out of the bore
// (common practice); a stream that is stuck until the gauge is out leaps.
func (f *Finder) seenLeaving(beyond, air float64) bool {
	between := func(v float64) bool {
		return math.Abs(v-f.size) > f.width() && math.Abs(v-air) > f.width()
	}
	return f.off > 0 || between(f.previous[1].v) || between(beyond)
}

// rearm looks for the gauge going elsewhere after a reading.
func (f *Finder) rearm(x sample) {
	off := math.Abs(x.v - f.size)
	if back, rests := f.gone(off); back || rests {
		f.move(x.t)
		return
	}
	f.stray(off)
}

// move says that the gauge moved to another place, at the time t.
func (f *Finder) move(t float64) {
	f.events = append(f.events, Event{Moved: true})
	f.done, f.off, f.farOff, f.trend, f.arrived = false, 0, 0, 0, t
}
