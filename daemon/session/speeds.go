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

// rocking returns how the gauge was moved while the capture took a value. The capture has already
// subtracted the averaging that is stated; q puts that part back, so that the record has the whole
// effect.
func rocking(r *capture.Result, q float64) event.Rocking {
	k := event.Rocking{Motion: analysis.SixDigits(r.Motion), MotionSpread: analysis.SixDigits(r.MotionSpread), MotionSlope: analysis.SixDigits(r.MotionSlope + q*r.MotionSpread)}
	for _, v := range []float64{k.Motion, k.MotionSpread, k.MotionSlope} {
		if math.IsNaN(v) || math.IsInf(v, 0) { // the journal can't hold these
			return event.Rocking{}
		}
	}
	return k
}

// speedReadings is the usual number of readings at each speed.
const speedReadings = 3

// beginSpeeds begins reading a ring that is rocked slowly at first and then fast.
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

// finishSpeeds records whether the size depended on the rocking speed.
func (s *Session) finishSpeeds() {
	f := &s.fold
	c := &event.SpeedCheck{Ring: f.Running.Ring.ID, Gauge: s.set.Gauge.Name}
	c.Speeds = master.CompareSpeeds(f.RingRocked, f.Running.Of/2, master.Smoothing(s.set.Gauge.Smoothing), f.Repeat(&s.set.Gauge))
	s.emit(event.Event{Kind: event.SpeedsChecked, Speeds: c})
	s.hint(c.Sentence)
}
