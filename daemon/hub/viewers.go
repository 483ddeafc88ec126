package hub

import (
	"slices"
	"sync"

	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// Viewers is the set of viewers that watch stations. The zero value is empty. Its methods never
// wait for a viewer: a slow viewer gets only the newest state and live value of each station.
type Viewers struct {
	mu  sync.Mutex
	all map[*Viewer]bool
}

// Subscribe adds a viewer of one station, or of all stations if station is empty. It gives the
// present states, standing, to the viewer.
func (v *Viewers) Subscribe(station string, standing ...*state.Bore) *Viewer {
	s := &Viewer{of: v, station: station, ready: make(chan struct{}, 1)}
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.all == nil {
		v.all = map[*Viewer]bool{}
	}
	v.all[s] = true
	for _, b := range standing {
		s.bore(b)
	}
	return s
}

// Show passes the state of a station to the viewers.
func (v *Viewers) Show(b *state.Bore) { v.tell(func(s *Viewer) { s.bore(b) }) }

// Live passes a live value of the gauge of a station to the viewers.
func (v *Viewers) Live(l event.Live) { v.tell(func(s *Viewer) { s.live(l) }) }

// Event passes a record to the viewers.
func (v *Viewers) Event(r *event.Record) { v.tell(func(s *Viewer) { s.event(r) }) }

func (v *Viewers) tell(give func(*Viewer)) {
	v.mu.Lock()
	defer v.mu.Unlock()
	for s := range v.all {
		give(s)
	}
}

// eventsKept is how many of the newest events are kept for a slow viewer.
const eventsKept = 64

// Viewer watches one station or all stations.
type Viewer struct {
	of      *Viewers
	station string
	ready   chan struct{}
	mu      sync.Mutex
	bores   []*state.Bore
	lives   []event.Live
	events  []event.Record
}

// Ready receives a value when there is something to take.
func (s *Viewer) Ready() <-chan struct{} { return s.ready }

// Close removes the viewer.
func (s *Viewer) Close() {
	s.of.mu.Lock()
	delete(s.of.all, s)
	s.of.mu.Unlock()
}

// Take returns what is new: the newest state and live value of each station, and the newest events.
func (s *Viewer) Take() ([]*state.Bore, []event.Live, []event.Record) {
	s.mu.Lock()
	defer s.mu.Unlock()
	b, l, e := s.bores, s.lives, s.events
	s.bores, s.lives, s.events = nil, nil, nil
	return b, l, e
}

func (s *Viewer) wants(station string) bool { return s.station == "" || s.station == station }

func (s *Viewer) signal() {
	select {
	case s.ready <- struct{}{}:
	default:
	}
}

func (s *Viewer) bore(b *state.Bore) {
	if !s.wants(b.Station) {
		return
	}
	s.mu.Lock()
	i := slices.IndexFunc(s.bores, func(x *state.Bore) bool { return x.Station == b.Station })
	if i >= 0 {
		s.bores[i] = b
	} else {
		s.bores = append(s.bores, b)
	}
	s.mu.Unlock()
	s.signal()
}

func (s *Viewer) live(l event.Live) {
	if !s.wants(l.Station) {
		return
	}
	s.mu.Lock()
	i := slices.IndexFunc(s.lives, func(x event.Live) bool { return x.Station == l.Station })
	if i >= 0 {
		s.lives[i] = l
	} else {
		s.lives = append(s.lives, l)
	}
	s.mu.Unlock()
	s.signal()
}

func (s *Viewer) event(r *event.Record) {
	if !s.wants(r.Station) {
		return
	}
	s.mu.Lock()
	if len(s.events) == eventsKept {
		s.events = s.events[1:]
	}
	s.events = append(s.events, *r)
	s.mu.Unlock()
	s.signal()
}
