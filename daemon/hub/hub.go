// Package hub knows the state of every station as the journal has it, and tells it to
// who watches: pages, screens and the broker.
package hub

import (
	"encoding/json"
	"sync"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// Publisher hears of each station's state and of what its gauge shows.
type Publisher interface {
	Bore(station string, payload []byte)
	Live(station string, value any)
}

// Hub has the state of the stations. Records reach it only after their commit; live values do not wait.
type Hub struct {
	Publisher Publisher // nil without a broker; set it before Run

	viewers Viewers
	journal string
	now     func() time.Time
	mu      sync.Mutex
	views   []*view
	warning analysis.Phrase // about the record, zero while all is well
	stopped bool            // the journal does not record
	dirty   chan struct{}
}

// view is one station as recorded.
type view struct {
	set   state.Settings
	fold  state.Fold
	seq   uint64
	bore  *state.Bore
	dirty bool
}

// New returns a hub without stations for a journal; now is the time to judge by.
func New(journal string, now func() time.Time) *Hub {
	return &Hub{journal: journal, now: now, dirty: make(chan struct{}, 1)}
}

// Add takes a station in, with what the journal has of it, before Run.
func (h *Hub) Add(set state.Settings, past []event.Record) {
	v := &view{set: set, dirty: true}
	v.fold.Station, v.fold.MaxReadings = set.Station, state.MaxHeld
	for i := range past {
		v.fold.Apply(&past[i].Event)
		v.seq = past[i].Seq
	}
	v.bore = h.work(v, h.now())
	h.views = append(h.views, v)
}

// Configure replaces the settings of a station.
func (h *Hub) Configure(set state.Settings) {
	h.mu.Lock()
	if v := h.view(set.Station); v != nil {
		v.set, v.dirty = set, true
	}
	h.mu.Unlock()
	h.poke()
}

// Settings returns the settings of a station, false if there is no such station.
func (h *Hub) Settings(station string) (state.Settings, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if v := h.view(station); v != nil {
		return v.set, true
	}
	return state.Settings{Station: station}, false
}

func (h *Hub) view(station string) *view {
	for _, v := range h.views {
		if v.set.Station == station {
			return v
		}
	}
	return nil
}

// Committed takes in records that are on disk. It is called by the journal's
// writer, so it only notes and signals.
func (h *Hub) Committed(records []event.Record) {
	h.mu.Lock()
	for i := range records {
		r := &records[i]
		v := h.view(r.Station)
		if v == nil {
			continue
		}
		v.fold.Apply(&r.Event)
		v.seq, v.dirty = r.Seq, true
		h.viewers.Event(r)
	}
	h.mu.Unlock()
	h.poke()
}

// Recording notes whether the journal records, and what is to be said of it.
func (h *Hub) Recording(ok bool, warning analysis.Phrase) {
	h.mu.Lock()
	h.stopped, h.warning = !ok, warning
	for _, v := range h.views {
		v.dirty = true
	}
	h.mu.Unlock()
	h.poke()
}

func (h *Hub) poke() {
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

// Run tells states as they change, until stop is closed.
func (h *Hub) Run(stop <-chan struct{}) {
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
func (h *Hub) tell(all bool, stop <-chan struct{}) {
	for _, v := range h.views {
		began := time.Now()
		b, worked := h.renew(v, all)
		if b != nil && h.Publisher != nil {
			if payload, err := json.Marshal(b); err == nil { // a Bore has nothing that can't be written
				h.Publisher.Bore(v.set.Station, payload)
			}
		}
		if worked {
			rest(restAfter(time.Since(began)), stop)
		}
	}
}

// renew works the state of a station out, if there was reason to, and gives it to
// the viewers; nil if there is nothing new in it.
func (h *Hub) renew(v *view, look bool) (b *state.Bore, worked bool) {
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
	h.viewers.Show(b)
	return b, true
}

func (h *Hub) work(v *view, now time.Time) *state.Bore {
	b := v.fold.Bore(&v.set, now)
	b.Journal, b.Seq = h.journal, v.seq
	b.Warning = h.warning
	if h.stopped {
		b.Recording = false
		b.State, b.Why = event.CannotJudge, analysis.Say("bore.not_recording", h.warning)
	}
	notation.ForJob(b.Job).Fill(b)
	return b
}

// Live tells what the gauge of a station shows.
func (h *Hub) Live(l event.Live) {
	h.viewers.Live(l)
	if h.Publisher != nil {
		h.Publisher.Live(l.Station, l)
	}
}

// Bore returns the state of a station, nil if there is no such station.
func (h *Hub) Bore(station string) *state.Bore {
	h.mu.Lock()
	defer h.mu.Unlock()
	if v := h.view(station); v != nil {
		return v.bore
	}
	return nil
}

// Subscribe takes in a viewer of a station, or of all if none is named. He gets the
// state as it stands first.
func (h *Hub) Subscribe(station string) *Viewer {
	h.mu.Lock()
	defer h.mu.Unlock()
	bores := make([]*state.Bore, len(h.views))
	for i, v := range h.views {
		bores[i] = v.bore
	}
	return h.viewers.Subscribe(station, bores...)
}
