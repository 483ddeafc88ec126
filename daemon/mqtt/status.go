package mqtt

import (
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
)

// Status says whether there is a connection to the broker.
type Status struct {
	Connected bool
	Since     time.Time       // when Connected last changed
	Why       analysis.Phrase // why there is no connection, or what is wrong although there is one
}

// stopped is the code of why there is no connection after an orderly end.
const stopped = "mqtt.stopped"

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

// Log logs the status. A lost connection, or one that does not do all that it should, is a warning,
// so that a search of the log by priority finds it. An orderly end is none.
func (s *Status) Log(log zerolog.Logger) {
	level := zerolog.InfoLevel
	if !s.Why.IsZero() && s.Why.Code != stopped {
		level = zerolog.WarnLevel
	}
	log.WithLevel(level).Bool("connected", s.Connected).Str("why", s.Why.Error()).Msg("broker")
}
