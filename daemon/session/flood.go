package session

import (
	"time"

	"fairbore/daemon/event"
	"fairbore/drivers"
)

// A gauge that is held by a hand gives some readings a minute, and one that is on a button for each
// of its values some hundred a second. A gauge that sends much more is broken, or somebody sends in
// its place; the journal must not be filled by it. The settings say how many readings a second are
// recorded on the long run, see [state.CaptureSettings]. There is room for floodMinute of that at
// once. Refusals, temperatures and scanned texts have a share of their own, so that they take no
// room from the readings. What is lost and found of a line, and the contacts on it, are bounded by
// the port.
const (
	floodMinute = time.Minute
	floodShare  = 20               // part of the rate for all that is not a reading
	floodTold   = 10 * time.Second // time between two events about one flood
)

// allowance is how many events may still be recorded: it grows with time up to a bound.
type allowance struct {
	left  float64
	at    time.Duration
	begun bool
}

// has reports whether one more event may be recorded at a rate per second.
func (a *allowance) has(now time.Duration, rate float64) bool {
	most := rate * floodMinute.Seconds()
	if !a.begun {
		a.left, a.begun = most, true
	}
	a.left = min(most, a.left+rate*(now-a.at).Seconds())
	a.at = now
	return a.left >= 1
}

// flood is what the gauge may still record, and what was dropped and is not told yet.
type flood struct {
	readings, others allowance
	dropped          event.Flood
	at               time.Duration // when the newest event about it was told
	told             bool
}

// mayRead reports whether a reading may be recorded now. If not, it counts it as dropped.
func (s *Session) mayRead() bool {
	if r := float64(s.set.Capture.MaxRate); r == 0 || s.flood.readings.has(s.now.Mono, r) {
		return true
	}
	s.flood.dropped.Readings++
	return false
}

// mayTell is like mayRead, for all that is not a reading.
func (s *Session) mayTell() bool {
	if r := float64(s.set.Capture.MaxRate); r == 0 || s.flood.others.has(s.now.Mono, max(1, r/floodShare)) {
		s.flood.others.left--
		return true
	}
	s.flood.dropped.Others++
	return false
}

// Untold reports whether events were dropped that no event tells of yet.
func (s *Session) Untold() bool { return s.flood.dropped.Readings+s.flood.dropped.Others > 0 }

// TellDropped tells of the events that were dropped, if there are any.
func (s *Session) TellDropped(at drivers.Moment) []event.Event {
	s.begin(at)
	s.tellDropped()
	return s.end()
}

func (s *Session) tellDropped() {
	if !s.Untold() {
		return
	}
	f := s.flood.dropped
	f.Gauge, f.Rate = s.set.Gauge.Name, s.set.Capture.MaxRate
	s.flood.dropped, s.flood.at, s.flood.told = event.Flood{}, s.now.Mono, true
	s.emit(event.Event{Kind: event.Flooded, Flood: &f, Source: "gauge"})
}

// tellDroppedInTime tells of them if it is time to: at once, then at intervals.
func (s *Session) tellDroppedInTime() {
	if !s.flood.told || s.now.Mono-s.flood.at >= floodTold {
		s.tellDropped()
	}
}
