package session

import (
	"math"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/daemon/event"
	"fairbore/drivers"
)

// spindleTurns is the code of why nothing is taken while the spindle is known to turn.
const spindleTurns = "reading.spindle"

// spindle is what the spindle's contact has told.
type spindle struct {
	on    bool
	at    time.Duration // when it went on
	since time.Duration // how long it has turned since the last reading
}

// seconds is how long it turned since the last reading, to a tenth.
func (s *spindle) seconds() float64 { return math.Round(s.since.Seconds()*10) / 10 }

// SpindleState takes in what the spindle's contact says. The time that it turned
// between two readings is the time of the round.
func (s *Session) SpindleState(at drivers.Moment, on bool) []event.Event {
	if s.spindle.on == on && s.fold.Spindle == on {
		return nil
	}
	s.begin(at)
	ran := time.Duration(0)
	if on {
		s.spindle.at = at.Mono
		s.capture.reset() // a visit before it turned is no visit after
	} else if s.spindle.on {
		ran = at.Mono - s.spindle.at
		s.spindle.since += ran
	}
	s.spindle.on = on
	s.emit(event.Event{Kind: event.Turning, Spindle: &event.Spindle{On: on, Seconds: math.Round(ran.Seconds()*10) / 10}, Source: "spindle"})
	return s.end()
}

// Scanned takes in what a scanner or a keypad typed: a job of the configuration
// is chosen, a ring mastered on, anything else is the serial number of the next part.
func (s *Session) Scanned(at drivers.Moment, text string) ([]event.Event, event.Reply) {
	a := event.Action{Do: "part", Part: text, Source: "scanner"}
	if _, ok := s.set.Jobs[text]; ok {
		a = event.Action{Do: "job", Job: text, Source: "scanner"}
	} else if _, ok := s.set.Rings[text]; ok {
		a = event.Action{Do: "master", Ring: text, Source: "scanner"}
	}
	events, reply := s.Act(at, a)
	if !reply.Done {
		s.hint(reply.Why)
	}
	return events, reply
}

// air is what the gauge does in free air.
type air struct {
	last  time.Duration // of the newest value there that was captured
	once  bool          // there was one, and no other since
	since time.Duration // out of the bore since then
	out   bool
}

// twice strikes the last reading out when two values come in free air, one soon
// after the other: a gesture for oily hands.
func (s *Session) twice() {
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

// resting begins the next round when the gauge of a complete plan is held in free
// air for long enough.
func (s *Session) resting() {
	limit, f := s.set.Capture.Rest, &s.fold
	if limit <= 0 || s.capture.mode == capture.Button {
		return
	}
	if s.capture.inBore() {
		s.air.out = false
		return
	}
	if !s.air.out {
		s.air.out, s.air.since = true, s.now.Mono
	}
	if f.Running != nil || f.Verdict != nil || f.Job == nil || f.Due() != nil || s.now.Mono-s.air.since < limit {
		return
	}
	s.air.since = s.now.Mono
	s.autoRound()
}

// autoRound begins a round that nobody announced. How long the spindle turned is
// known if it has a contact.
func (s *Session) autoRound() {
	f := &s.fold
	s.restStudy()
	r := f.AdvisedRound(&s.set, s.now.Wall)
	r.Seconds, r.Auto, r.Dressed = s.spindle.seconds(), true, f.Dressed
	s.emit(event.Event{Kind: event.RoundOver, Source: "gauge", Round: &r})
}

// Limits of doubting a place (common practice; chosen so that a taper of a few
// tenths of a micrometre never asks).
const (
	placeFar  = 8.0 // standard deviations off the place due
	placeNear = 3.0 // and within so many of another
)

// misplaced says that a reading fits another section far better than its own: by
// what the round before took off everywhere, from the sections gauged so far. zero
// if it fits, or nothing can be said.
func (s *Session) misplaced(r *event.Reading) analysis.Phrase {
	f, repeat := &s.fold, s.fold.Repeat(&s.set.Gauge)
	if r.Round == 0 || repeat <= 0 {
		return analysis.Phrase{}
	}
	before, now := s.rooms.before, s.rooms.now // used again, since this is asked of every reading
	clear(before)
	clear(now)
	f.CurrentInto(r.Round-1, before)
	f.CurrentInto(r.Round, now)
	if before[r.Place] == nil || len(now) < 2 {
		return analysis.Phrase{}
	}
	// What honing took off, as the places gauged in both rounds show it.
	var taken []float64
	for p, x := range now {
		if b := before[p]; b != nil && p != r.Place {
			taken = append(taken, (x.Size - b.Size).Micrometres())
		}
	}
	if len(taken) < 2 {
		return analysis.Phrase{}
	}
	mean, spread := meanAndSpread(taken)
	u := math.Max(math.Sqrt2*analysis.Length(repeat).Micrometres(), spread)
	off := func(p analysis.Place) float64 {
		return math.Abs((r.Size-before[p].Size).Micrometres()-mean) / u
	}
	if off(r.Place) < placeFar {
		return analysis.Phrase{}
	}
	for _, p := range f.Job.Plan() {
		if p.Depth != r.Depth && before[p] != nil && off(p) < placeNear {
			return analysis.Say("ask.right_place", p, r.Place)
		}
	}
	return analysis.Phrase{}
}

func meanAndSpread(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean)
	}
	return mean, math.Sqrt(sd / float64(len(x)-1))
}
