package session

import (
	"maps"
	"math"
	"slices"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/master"
	"fairbore/daemon/event"
)

// rocking is how the gauge was moved for a value that the capture took. With q taken off
// its passes tell of what is left; what is recorded tells of all of it.
func rocking(r *capture.Result, q float64) event.Rocking {
	k := event.Rocking{Motion: analysis.SixDigits(r.Motion), MotionSpread: analysis.SixDigits(r.MotionSpread), MotionSlope: analysis.SixDigits(r.MotionSlope + q*r.MotionSpread)}
	for _, v := range []float64{k.Motion, k.MotionSpread, k.MotionSlope} {
		if math.IsNaN(v) || math.IsInf(v, 0) { // which the journal could not hold
			return event.Rocking{}
		}
	}
	return k
}

// speedReadings is how many readings of each speed are taken as a rule.
const speedReadings = 3

// beginSpeeds begins to read a ring that is rocked at slowly, then fast.
func (s *Session) beginSpeeds(a event.Action) error {
	f := &s.fold
	id := a.Ring
	if id == "" && f.Job != nil {
		id = f.Job.Ring
	}
	ring, ok := s.set.Rings[id]
	switch {
	case s.set.Capture.Mode != capture.Turning.String():
		return analysis.Say("action.speeds.not_rocked")
	case !ok:
		return analysis.Say("action.name_ring_to_rock", strings.Join(slices.Sorted(maps.Keys(s.set.Rings)), ", "))
	case a.Of < 0 || a.Of > 25:
		return analysis.Say("action.speed_readings", a.Of, speedReadings)
	case a.Of == 0:
		a.Of = speedReadings
	}
	s.capture.reset()
	s.emit(event.Event{Kind: event.Mastering, Master: &event.Master{Ring: *ring, Gauge: s.set.Gauge.Name, Of: 2 * a.Of, Check: true, Speeds: true}})
	return nil
}

// sped tells whether the size depended on the speed.
func (s *Session) sped() {
	f := &s.fold
	c := &event.SpeedCheck{Ring: f.Running.Ring.ID, Gauge: s.set.Gauge.Name}
	c.Speeds = master.CompareSpeeds(f.Rocked, f.Running.Of/2, s.set.Gauge.Smoothing, f.Repeat(&s.set.Gauge))
	s.emit(event.Event{Kind: event.Sped, Speeds: c})
	s.hint(c.Sentence)
}
