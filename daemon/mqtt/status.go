package mqtt

import (
	"time"

	"fairbore/analysis"
)

// Status says whether there is a connection to the broker.
type Status struct {
	Connected bool
	Since     time.Time       // when Connected last changed
	Why       analysis.Phrase // why there is no connection, or what is wrong although there is one
}

// NotStarted returns the status before the first attempt to connect.
func NotStarted() Status { return Status{Why: analysis.Say("mqtt.not_started")} }

// Set sets the state of the connection. It reports whether that changed anything.
func (s *Status) Set(connected bool, why analysis.Phrase) (changed bool) {
	moved := s.Connected != connected || s.Since.IsZero()
	changed = moved || s.Why.Error() != why.Error()
	if moved {
		s.Since = time.Now()
	}
	s.Connected, s.Why = connected, why
	return changed
}
