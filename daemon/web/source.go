package web

import (
	"context"
	"time"

	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// Station is a station to show.
type Station struct {
	Name  string // its level in topics and addresses
	Title string // as people call it
}

// Source is what the pages show and act on. Its methods may be called from any
// goroutine.
type Source interface {
	// Stations lists the stations in the order of the configuration.
	Stations() []Station
	// Bore returns the newest state of a station as recorded, nil if there is
	// no such station. The caller must not change it.
	Bore(station string) *state.Bore
	// Subscribe follows a station, "" for all of them. Close the subscription
	// when done.
	Subscribe(station string) Subscription
	// Do carries an operator's action out and returns the answer once its
	// events are recorded, or the context ends.
	Do(ctx context.Context, station string, a event.Action) event.Reply
}

// Passing is implemented by a [Source] that passes on to a broker what it records.
type Passing interface {
	// Unreached returns since when the broker can't be reached, the zero time if it
	// is or there is none, and how many recorded events wait to be passed on. Any
	// goroutine may call it.
	Unreached() (since time.Time, waiting uint64)
}

// unreachedFor is how long a broker may be away before a page says so: one that is
// started again is back by then.
const unreachedFor = 3 * time.Second

// passing says that the broker can't be reached, "" while it is. It is no warning:
// what is recorded is safe.
func (s *Server) passing(now time.Time, f notation.Format) string {
	p, ok := s.src.(Passing)
	if !ok {
		return ""
	}
	since, waiting := p.Unreached()
	switch {
	case since.IsZero() || now.Sub(since) < unreachedFor:
		return ""
	case waiting == 0:
		return f.Text("face.broker.away")
	}
	return f.Text("face.broker.waiting", int(waiting))
}

// Subscription brings what is new to one viewer. A viewer that does not keep up
// costs nothing: the newest state and live value replace older ones, and of the
// events only the newest are kept.
type Subscription interface {
	// Ready is signalled when there is something to take.
	Ready() <-chan struct{}
	// Take returns what is new since the last call; any of them may be nil.
	Take() (bores []*state.Bore, lives []event.Live, events []event.Record)
	Close()
}
