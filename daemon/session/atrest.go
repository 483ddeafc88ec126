package session

import (
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/master"
	"fairbore/daemon/state"
	"fairbore/drivers"
)

// atRest is what the samples of the gauge show while it rests, and by their times.
type atRest struct {
	ring, air master.Resting
	where     bool // in the ring

	last      time.Duration // of the newest sample
	some      bool
	intervals [64]time.Duration // between samples, round and round
	n         int
	step      time.Duration // in which their times come, 0: none is seen
}

// forget forgets all of it: another gauge may hang there now.
func (a *atRest) forget() { *a = atRest{} }

// sample takes the time of a sample in.
func (a *atRest) sample(at time.Duration) {
	if d := at - a.last; a.some && d >= 0 && d < time.Second {
		a.intervals[a.n%len(a.intervals)] = d
		if a.n++; a.n >= len(a.intervals) && a.n%(len(a.intervals)/2) == 0 {
			a.step = drivers.StampStep(a.intervals[:])
		}
	}
	a.last, a.some = at, true
}

// hint says what is wrong with the times, zero if nothing is.
func (a *atRest) hint() analysis.Phrase {
	if a.step == 0 {
		return analysis.Phrase{}
	}
	return analysis.Say("hint.adapter", int(a.step.Milliseconds()))
}

// scatters takes a sample in for what the gauge scatters by, while it is in free air or a
// ring is read; whether it rests there the samples say themselves.
func (s *Session) scatters(raw analysis.Length) {
	a, k := &s.rest, &s.capture
	in := k.inBore()
	ring := in && s.fold.Running != nil && k.mode != capture.Turning // a hand that holds a rocked gauge at a tilt shows its tremor
	if k.c == nil || k.mode == capture.Button || s.spindle.on || in && !ring || ring != a.where {
		a.ring.Break()
		a.air.Break()
	}
	a.where = ring
	switch {
	case k.c == nil || k.mode == capture.Button || s.spindle.on || in && !ring:
	case ring:
		a.ring.Step = s.set.Gauge.Step
		a.ring.Feed(s.now.Mono, raw)
	default:
		a.air.Step = s.set.Gauge.Step
		a.air.Feed(s.now.Mono, raw)
	}
}

// noise is what was measured, on the ring if the gauge rested there; nil if nothing was.
// In free air a gauge that isn't a two-point one may show anything.
func (a *atRest) noise(g *state.GaugeSettings) *analysis.RestNoise {
	n, ok := a.ring.Noise()
	if !ok && !g.ThreePoint {
		n, ok = a.air.Noise()
	}
	if !ok {
		return nil
	}
	return &n
}
