// Package hub holds the recorded state of every station and passes it on to the viewers, such as
// pages and screens, and to the broker.
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

// Publisher receives each new state of a station and each live value of its gauge.
type Publisher interface {
	Bore(station string, payload []byte)
	Live(station string, value any)
}

// Hub holds the states of the stations. Records reach it only after their commit. Live values don't
// wait for a commit.
type Hub struct {
	Publisher Publisher // nil without a broker; set it before Run

	viewers Viewers
	journal string
	now     func() time.Time
	mu      sync.Mutex
	views   []*view
	warning analysis.Phrase // warning about the journal; zero if there is none
	stopped bool            // the journal does not record
	dirty   chan struct{}   // wakes Run
}

// view is the recorded state of one station.
type view struct {
	set   state.Settings
	fold  state.Fold
	seq   uint64      // number of the latest record
	bore  *state.Bore // the state that was last told
	dirty bool        // the state may have changed since it was last told
}

// New returns a hub without stations for a journal. now returns the present time, on which some
// states depend.
func New(journal string, now func() time.Time) *Hub {
	return &Hub{journal: journal, now: now, dirty: make(chan struct{}, 1)}
}

// Add adds a station with its records from the journal. Call it before Run.
func (h *Hub) Add(set state.Settings, past []event.Record) {
	v := &view{set: set, dirty: true}
	v.fold.Station, v.fold.MaxReadings = set.Station, state.MaxHeld
	for i := range past {
		v.fold.ApplyRecord(&past[i])
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

// Committed takes in records that are on disk. The journal's writer calls it and must not wait, so
// Committed only notes the records and wakes Run.
func (h *Hub) Committed(records []event.Record) {
	h.mu.Lock()
	for i := range records {
		r := &records[i]
		v := h.view(r.Station)
		if v == nil {
			continue
		}
		v.fold.ApplyRecord(r)
		v.seq, v.dirty = r.Seq, true
		h.viewers.Event(r)
	}
	h.mu.Unlock()
	h.poke()
}

// Recording notes whether the journal records, and any warning about it.
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

// tellEvery is the shortest time between two whole states of a station. Single readings are told at
// once.
//
// tellShare limits the processor time for whole states. After each station Run rests for tellShare
// times as long as the work for the station took. When many stations stream, their states then come
// less often, but their readings don't.
//
// tellRest is the longest rest. It is needed because the clock measures the work, and on a busy
// machine that includes waiting.
const (
	tellEvery = 100 * time.Millisecond
	tellShare = 10
	tellRest  = 50 * time.Millisecond
)

// restAfter returns how long to rest after a station for which the work took the time took.
func restAfter(took time.Duration) time.Duration { return min(tellShare*took, tellRest) }

// lapseEvery is the interval at which all states are worked out again. Some change with time alone,
// such as when a mastering lapses.
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

// tell works out the states of the stations that changed, or of all stations, and tells the states
// that differ. The journal's writer waits for the lock, so tell holds it for one station at a time
// and not while it writes.
func (h *Hub) tell(all bool, stop <-chan struct{}) {
	for _, v := range h.views {
		began := time.Now()
		b, worked := h.renew(v, all)
		if b != nil && h.Publisher != nil {
			if payload, err := json.Marshal(b); err == nil { // a Bore can always be encoded
				h.Publisher.Bore(v.set.Station, payload)
			}
		}
		if worked {
			rest(restAfter(time.Since(began)), stop)
		}
	}
}

// renew works out the state of a station, if it may have changed or look is set, and gives it to
// the viewers. It returns nil if nothing in the state is new. worked says that it worked out the
// state.
func (h *Hub) renew(v *view, look bool) (b *state.Bore, worked bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !v.dirty && !look {
		return nil, false
	}
	b = h.work(v, h.now())
	if !v.dirty && v.bore != nil && same(v.bore, b) {
		return nil, true
	}
	v.dirty, v.bore = false, b
	h.viewers.Show(b)
	return b, true
}

// same reports whether two states of a station to which nothing happened in between tell a person
// the same.
func same(a, b *state.Bore) bool {
	return a.Now.Is == b.Now.Is && a.Now.Do == b.Now.Do && a.Now.Sentence.Error() == b.Now.Sentence.Error() && a.Why.Error() == b.Why.Error() && a.Master.OK == b.Master.OK && a.Person() == b.Person()
}

func (h *Hub) work(v *view, now time.Time) *state.Bore {
	set := v.set
	if v.fold.Settings != nil { // what is recorded goes by what is recorded
		set.Settings = *v.fold.Settings
	}
	b := v.fold.Bore(&set, now)
	b.Journal, b.Seq = h.journal, v.seq
	b.Warning = h.warning
	if h.stopped {
		b.Unrecorded(h.warning)
	}
	notation.ForJob(b.Job).Fill(b)
	return b
}

// Live passes on a live value of the gauge of a station.
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

// Subscribe adds a viewer of one station, or of all stations if station is empty. The viewer first
// gets the present states.
func (h *Hub) Subscribe(station string) *Viewer {
	h.mu.Lock()
	defer h.mu.Unlock()
	bores := make([]*state.Bore, len(h.views))
	for i, v := range h.views {
		bores[i] = v.bore
	}
	return h.viewers.Subscribe(station, bores...)
}
