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
	Title string // its name for people
}

// Source is what the pages show and act on. Its methods may be called from any goroutine.
type Source interface {
	// Stations lists the stations in the order of the configuration.
	Stations() []Station
	// Bore returns the newest state of a station as recorded, nil if there is
	// no such station. The caller must not change it.
	Bore(station string) *state.Bore
	// Subscribe follows a station, "" for all of them. Close the subscription
	// when done.
	Subscribe(station string) Subscription
	// Do carries out an operator's action. It returns the answer once its events are recorded, or
	// the context ends.
	Do(ctx context.Context, station string, a event.Action) event.Reply
}

// Passing is implemented by a [Source] that sends what it records to a broker.
type Passing interface {
	// Unreached returns since when the broker can't be reached, and how many recorded events wait
	// for it. The time is zero if the broker can be reached or there is none. It may be called from
	// any goroutine.
	Unreached() (since time.Time, waiting uint64)
}

// unreachedFor is how long a broker may be out of reach before a page says so. A broker that was
// restarted is back by then.
const unreachedFor = 3 * time.Second

// passing says that the broker can't be reached, "" if it can. It is not a warning, since what is
// recorded is safe.
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

// Subscription brings what is new to one viewer. A viewer that is slow costs nothing: newer states
// and live values replace older ones, and only the newest events are kept.
type Subscription interface {
	// Ready receives a value when there is something to take.
	Ready() <-chan struct{}
	// Take returns what is new since the last call. Any of the three may be nil.
	Take() (bores []*state.Bore, lives []event.Live, events []event.Record)
	Close()
}
