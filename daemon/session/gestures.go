package session

import (
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/daemon/event"
)

// freeAir is what the gauge has done in free air.
type freeAir struct {
	last  time.Duration // when the newest value was captured there
	once  bool          // no other value was captured since
	since time.Duration // when the gauge left the bore
	out   bool
	// undone says that a person undid the round that was begun while the gauge is out.
	undone bool
}

// voidByGesture voids the last reading when two values are captured in free air within a short
// time. It lets a person with oily hands void a reading without touching the page.
func (s *Session) voidByGesture() {
	limit, now := s.set.Capture.Twice, s.now.Mono
	soon := s.air.once && now-s.air.last <= limit
	s.air.last, s.air.once = now, true
	f := &s.fold
	if limit <= 0 || !soon || f.Verdict != nil {
		return
	}
	s.air.once = false
	if r := f.Newest(); r != nil {
		s.emit(event.Event{Kind: event.Voided, Void: &event.Void{No: r.No, Reason: analysis.Say("void.at_gauge")}, Source: "gauge"})
	}
}

// roundByGesture begins the next round when the plan is complete and the gauge is held in free air
// for long enough.
func (s *Session) roundByGesture() {
	limit, f := s.set.Capture.Rest, &s.fold
	if limit <= 0 || s.capture.mode == capture.Button {
		return
	}
	if s.capture.inBore() {
		s.air.out, s.air.undone = false, false
		return
	}
	if !s.air.out {
		s.air.out, s.air.since = true, s.now.Mono
	}
	if s.air.undone || f.Running != nil || f.Verdict != nil || f.Job == nil || f.Due() != nil || s.now.Mono-s.air.since < limit {
		return
	}
	s.air.since = s.now.Mono
	s.autoRound()
}

// autoRound begins a round that nobody announced. With a contact at the spindle its honing time is
// known.
func (s *Session) autoRound() {
	f := &s.fold
	s.pauseStudy()
	r := f.AdvisedRound(&s.set, s.now.Wall)
	r.Seconds, r.Auto, r.Dressed = s.spindle.seconds(), true, f.Dressed
	s.emit(event.Event{Kind: event.RoundOver, Source: "gauge", Round: &r})
}
