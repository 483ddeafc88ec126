package session

import (
	"math"
	"time"

	"fairbore/daemon/event"
	"fairbore/drivers"
)

// spindleTurns is the code of the refusal while the spindle turns.
const spindleTurns = "reading.spindle"

// spindle is what the spindle's contact has told.
type spindle struct {
	on    bool
	at    time.Duration // when it was switched on
	since time.Duration // how long it has turned since the last reading
}

// seconds returns how long the spindle has turned since the last reading, to a tenth.
func (s *spindle) seconds() float64 { return math.Round(s.since.Seconds()*10) / 10 }

// SpindleState takes in the state of the spindle's contact. The time that the spindle turned
// between two readings becomes the honing time of the round.
func (s *Session) SpindleState(at drivers.Moment, on bool) []event.Event {
	if s.spindle.on == on && s.fold.Spindle == on {
		return nil
	}
	s.begin(at)
	ran := time.Duration(0)
	if on {
		s.spindle.at = at.Mono
		s.capture.reset() // a visit that began before the spindle turned is over
	} else if s.spindle.on {
		ran = at.Mono - s.spindle.at
		s.spindle.since += ran
	}
	s.spindle.on = on
	s.emit(event.Event{Kind: event.SpindleSwitched, Spindle: &event.Spindle{On: on, Seconds: math.Round(ran.Seconds()*10) / 10}, Source: "spindle"})
	return s.end()
}
