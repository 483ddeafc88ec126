package session

import (
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/master"
	"fairbore/daemon/state"
	"fairbore/drivers"
)

// sampleStats is what the samples of the gauge tell besides their values: how much they scatter
// while the gauge rests, and at what times they arrive.
type sampleStats struct {
	ring, air master.Resting
	where     bool // the newest sample came from a ring

	last      time.Duration // time of the newest sample
	some      bool
	intervals [64]time.Duration // times between samples, as a ring buffer
	n         int
	step      time.Duration // the adapter hands samples over in multiples of this; 0: no such step is seen
}

// forget forgets everything, since another gauge may now be connected.
func (a *sampleStats) forget() { *a = sampleStats{} }

// addTime takes in the arrival time of a sample.
func (a *sampleStats) addTime(at time.Duration) {
	if d := at - a.last; a.some && d >= 0 && d < time.Second {
		a.intervals[a.n%len(a.intervals)] = d
		if a.n++; a.n >= len(a.intervals) && a.n%(len(a.intervals)/2) == 0 {
			a.step = drivers.StampStep(a.intervals[:])
		}
	}
	a.last, a.some = at, true
}

// timingHint says what is wrong with the arrival times, zero if nothing is.
func (a *sampleStats) timingHint() analysis.Phrase {
	if a.step == 0 {
		return analysis.Phrase{}
	}
	return analysis.Say("hint.adapter", int(a.step.Milliseconds()))
}

// measureNoise takes in a sample for the scatter of the gauge, while the gauge is in free air or a
// ring is read. The samples themselves tell whether the gauge rests there.
func (s *Session) measureNoise(raw analysis.Length) {
	a, k := &s.samples, &s.capture
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

// noise returns the measured scatter, on the ring if the gauge rested there, else in free air; nil
// if nothing was measured. A three-point gauge may show anything in free air, so that its scatter
// there is not used.
func (a *sampleStats) noise(g *state.GaugeSettings) *analysis.RestNoise {
	n, ok := a.ring.Noise()
	if !ok && !g.ThreePoint {
		n, ok = a.air.Noise()
	}
	if !ok {
		return nil
	}
	return &n
}
