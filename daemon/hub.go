package daemon

import (
	"encoding/json"
	"slices"
	"sync"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/daemon/web"
)

// teller is who else hears of a station's state: the publisher.
type teller interface {
	Bore(station string, payload []byte)
	Live(station string, value any)
}

// hub knows the state of every station as the journal has it, and tells it.
// Records reach it only after their commit; live values do not wait.
type hub struct {
	journal string
	now     func() time.Time
	mu      sync.Mutex
	views   []*view
	subs    map[*subscriber]bool
	warning string // about the record, "" while all is well
	stopped bool   // the journal does not record
	dirty   chan struct{}
	out     teller // nil without a broker
}

// view is one station as recorded.
type view struct {
	name, title string
	set         state.Settings
	fold        state.Fold
	seq         uint64
	bore        *state.Bore
	dirty       bool
}

func newHub(journal string, now func() time.Time) *hub {
	return &hub{journal: journal, now: now, subs: map[*subscriber]bool{}, dirty: make(chan struct{}, 1)}
}

// add takes a station in, with what the journal has of it.
func (h *hub) add(name, title string, set state.Settings, past []event.Record) {
	v := &view{name: name, title: title, set: set, dirty: true}
	v.fold.Station, v.fold.Most = name, state.Held
	for i := range past {
		v.fold.Apply(&past[i].Event)
		v.seq = past[i].Seq
	}
	v.bore = h.work(v, h.now())
	h.views = append(h.views, v)
}

// configure replaces the settings of a station.
func (h *hub) configure(name string, set state.Settings) {
	h.mu.Lock()
	if v := h.view(name); v != nil {
		v.set, v.dirty = set, true
	}
	h.mu.Unlock()
	h.poke()
}

// settings returns the settings of a station.
func (h *hub) settings(name string) state.Settings {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.view(name).set
}

func (h *hub) view(name string) *view {
	for _, v := range h.views {
		if v.name == name {
			return v
		}
	}
	return nil
}

// committed takes in records that are on disk. It is called by the journal's
// writer, so it only notes and signals.
func (h *hub) committed(records []event.Record) {
	h.mu.Lock()
	for i := range records {
		r := &records[i]
		v := h.view(r.Station)
		if v == nil {
			continue
		}
		v.fold.Apply(&r.Event)
		v.seq, v.dirty = r.Seq, true
		for s := range h.subs {
			s.event(r)
		}
	}
	h.mu.Unlock()
	h.poke()
}

// recording notes whether the journal records, and what is to be said of it.
func (h *hub) recording(ok bool, warning string) {
	h.mu.Lock()
	h.stopped, h.warning = !ok, warning
	for _, v := range h.views {
		v.dirty = true
	}
	h.mu.Unlock()
	h.poke()
}

func (h *hub) poke() {
	select {
	case h.dirty <- struct{}{}:
	default:
	}
}

// tellEvery bounds how often a station's whole state is worked out and told; its
// readings are told one by one, at once, all the same. tellShare bounds what
// that may take of a processor, 1 in so much, with a rest after each station: with
// many that all stream the states come less often, and the readings keep their pace.
// The time that it takes is by the clock, which on a busy machine is mostly waiting:
// so no rest is longer than tellRest.
const (
	tellEvery = 100 * time.Millisecond
	tellShare = 10
	tellRest  = 50 * time.Millisecond
)

// restAfter is how long to rest after a station that took so long.
func restAfter(took time.Duration) time.Duration { return min(tellShare*took, tellRest) }

// lapseEvery is how often a state that only the passing of time changes is
// looked at anew: a mastering that lapses.
const lapseEvery = 2 * time.Second

// run tells states as they change, until stop is closed.
func (h *hub) run(stop <-chan struct{}) {
	lapse := time.NewTicker(lapseEvery)
	defer lapse.Stop()
	for all := false; ; {
		select {
		case <-stop:
			h.tell(false, stop)
			return
		case <-lapse.C:
			all = true
		case <-h.dirty:
			all = false
		}
		h.tell(all, stop)
		rest(tellEvery, stop)
	}
}

// rest waits for a while, or until stop is closed.
func rest(d time.Duration, stop <-chan struct{}) {
	select {
	case <-stop:
	case <-time.After(d):
	}
}

// tell works out the state of what changed, and of all if all is set, and tells
// those that differ. It holds the lock for one station at a time, and not while
// it writes: the journal waits for it meanwhile.
func (h *hub) tell(all bool, stop <-chan struct{}) {
	for _, v := range h.views {
		began := time.Now()
		b, worked := h.renew(v, all)
		if b != nil && h.out != nil {
			if payload, err := json.Marshal(b); err == nil { // a Bore has nothing that can't be written
				h.out.Bore(v.name, payload)
			}
		}
		if worked {
			rest(restAfter(time.Since(began)), stop)
		}
	}
}

// renew works the state of a station out, if there was reason to, and gives it to
// the viewers; nil if there is nothing new in it.
func (h *hub) renew(v *view, look bool) (b *state.Bore, worked bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !v.dirty && !look {
		return nil, false
	}
	b = h.work(v, h.now())
	if !v.dirty && v.bore != nil && v.bore.State == b.State && v.bore.Why.Error() == b.Why.Error() && v.bore.Master.OK == b.Master.OK {
		return nil, true
	}
	v.dirty, v.bore = false, b
	for s := range h.subs {
		s.bore(b)
	}
	return b, true
}

func (h *hub) work(v *view, now time.Time) *state.Bore {
	b := v.fold.Bore(&v.set, now)
	b.Journal, b.Seq = h.journal, v.seq
	b.Warning = analysis.Quote(h.warning)
	if h.stopped {
		b.Recording = false
		b.State, b.Why = event.CannotJudge, analysis.Say("bore.not_recording", h.warning)
	}
	notation.ForJob(b.Job).Fill(b)
	return b
}

// live tells what the gauge of a station shows.
func (h *hub) live(l event.Live) {
	h.mu.Lock()
	for s := range h.subs {
		s.live(l)
	}
	h.mu.Unlock()
	if h.out != nil {
		h.out.Live(l.Station, l)
	}
}

// Stations implements web.Source.
func (h *hub) Stations() []web.Station {
	list := make([]web.Station, len(h.views))
	for i, v := range h.views {
		list[i] = web.Station{Name: v.name, Title: v.title}
	}
	return list
}

// Bore implements web.Source.
func (h *hub) Bore(station string) *state.Bore {
	h.mu.Lock()
	defer h.mu.Unlock()
	if v := h.view(station); v != nil {
		return v.bore
	}
	return nil
}

// eventsKept is how many events wait for a viewer that does not keep up.
const eventsKept = 64

// subscriber is one viewer.
type subscriber struct {
	hub     *hub
	station string
	ready   chan struct{}
	mu      sync.Mutex
	bores   []*state.Bore
	lives   []event.Live
	events  []event.Record
}

// Subscribe implements web.Source. The viewer gets the state as it stands first.
func (h *hub) Subscribe(station string) web.Subscription {
	s := &subscriber{hub: h, station: station, ready: make(chan struct{}, 1)}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.subs[s] = true
	for _, v := range h.views {
		s.bore(v.bore)
	}
	return s
}

// Ready implements web.Subscription.
func (s *subscriber) Ready() <-chan struct{} { return s.ready }

// Close implements web.Subscription.
func (s *subscriber) Close() {
	s.hub.mu.Lock()
	delete(s.hub.subs, s)
	s.hub.mu.Unlock()
}

// Take implements web.Subscription.
func (s *subscriber) Take() ([]*state.Bore, []event.Live, []event.Record) {
	s.mu.Lock()
	defer s.mu.Unlock()
	b, l, e := s.bores, s.lives, s.events
	s.bores, s.lives, s.events = nil, nil, nil
	return b, l, e
}

func (s *subscriber) wants(station string) bool { return s.station == "" || s.station == station }

func (s *subscriber) signal() {
	select {
	case s.ready <- struct{}{}:
	default:
	}
}

func (s *subscriber) bore(b *state.Bore) {
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

func (s *subscriber) live(l event.Live) {
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

func (s *subscriber) event(r *event.Record) {
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
