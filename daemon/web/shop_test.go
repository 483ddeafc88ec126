package web

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/daemon/web/jobform"
	"fairbore/daemon/web/shoptest"
)

// shop is a Source of stations that a test changes.
type shop struct {
	mu    sync.Mutex
	order []string
	bores map[string]*state.Bore
	subs  map[*shopper]bool
	did   []event.Action
	reply func(event.Action) event.Reply
}

func newShop(bores ...*state.Bore) *shop {
	s := &shop{bores: map[string]*state.Bore{}, subs: map[*shopper]bool{}}
	for _, b := range bores {
		s.order = append(s.order, b.Station)
		s.bores[b.Station] = b
	}
	return s
}

func (s *shop) Stations() (out []Station) {
	for _, n := range s.order {
		out = append(out, Station{Name: n, Title: "bay " + n})
	}
	return out
}

func (s *shop) Bore(name string) *state.Bore {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.bores[name]
}

func (s *shop) Do(_ context.Context, _ string, a event.Action) event.Reply {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.did = append(s.did, a)
	if s.reply != nil {
		return s.reply(a)
	}
	return event.Reply{ID: a.ID, Do: a.Do, Done: true}
}

func (s *shop) set(b *state.Bore) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.bores[b.Station] = b
	for sub := range s.subs {
		sub.put(b)
	}
}

func (s *shop) live(l event.Live) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for sub := range s.subs {
		if sub.name == "" || sub.name == l.Station {
			sub.mu.Lock()
			sub.lives = []event.Live{l}
			sub.mu.Unlock()
			sub.signal()
		}
	}
}

func (s *shop) viewers() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.subs)
}

func (s *shop) Subscribe(name string) Subscription {
	s.mu.Lock()
	defer s.mu.Unlock()
	sub := &shopper{shop: s, name: name, ready: make(chan struct{}, 1)}
	s.subs[sub] = true
	for _, n := range s.order {
		sub.put(s.bores[n])
	}
	return sub
}

// shopper is one viewer of a shop.
type shopper struct {
	shop  *shop
	name  string
	ready chan struct{}
	mu    sync.Mutex
	bores []*state.Bore
	lives []event.Live
}

func (v *shopper) signal() {
	select {
	case v.ready <- struct{}{}:
	default:
	}
}

func (v *shopper) put(b *state.Bore) {
	if v.name != "" && v.name != b.Station {
		return
	}
	v.mu.Lock()
	v.bores = append(v.bores, b)
	v.mu.Unlock()
	v.signal()
}

func (v *shopper) Ready() <-chan struct{} { return v.ready }

func (v *shopper) Take() ([]*state.Bore, []event.Live, []event.Record) {
	v.mu.Lock()
	defer v.mu.Unlock()
	b, l := v.bores, v.lives
	v.bores, v.lives = nil, nil
	return b, l, nil
}

func (v *shopper) Close() {
	v.shop.mu.Lock()
	defer v.shop.mu.Unlock()
	delete(v.shop.subs, v)
}

// eventually waits for a condition that another goroutine brings about.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal(errors.New("waited for " + what))
		}
	}
}

// testEntry takes jobs in as a station of the demo does.
func testEntry() *jobform.Entry {
	set := shoptest.Settings()
	return &jobform.Entry{
		Check:     func(_ string, j *analysis.Job) []error { return set.CheckJob(j) },
		Rings:     func(string) []*analysis.Ring { return shoptest.Rings() },
		Materials: []string{"bronze", "grey iron", "tool steel"},
	}
}

// shelf is a History of finished parts.
type shelf struct{ play *shoptest.Play }

func (h shelf) Known(context.Context) (jobs, gauges, people []string, err error) {
	return []string{h.play.Bore().Job.ID, "J-<b>"}, []string{"G-11", "G-12"}, []string{"<b>"}, nil
}

func (h shelf) Parts(_ context.Context, f PartFilter) ([]PartLine, uint64, error) {
	b := h.play.Bore()
	l := PartLine{Station: b.Station, Job: b.Job.ID, Part: b.Part.Serial, Seq: 3, First: h.play.At, Last: h.play.At, Readings: h.play.No, Verdict: b.Verdict}
	if f.Job != "" && f.Job != l.Job || f.Part != "" && f.Part != l.Part || f.Station != "" && f.Station != l.Station {
		return nil, 0, nil
	}
	return []PartLine{l}, 0, nil
}

func (h shelf) Record(_ context.Context, station string, seq uint64) (PartRecord, error) {
	if station != h.play.Set.Station || seq != 3 {
		return PartRecord{}, ErrNoPart
	}
	return PartRecord{h.play.Bore(), &h.play.Fold, h.play.Told}, nil
}

func (h shelf) Studies(_ context.Context, station, job string, most int) ([]StudyLine, error) {
	l := StudyLine{Station: "marks", Job: "J-4112", Seq: 5, At: h.play.At, Parts: 10, Appraisers: []string{"first shift", "<b>"}}
	if station != "" && station != l.Station || job != "" && job != l.Job || most < 1 {
		return nil, nil
	}
	return []StudyLine{l}, nil
}

func (h shelf) Study(ctx context.Context, station string, seq uint64, _ notation.Format) (p StudyPage, err error) {
	all, err := h.Studies(ctx, station, "", 1)
	if err == nil && (len(all) == 0 || seq != 0 && seq != all[0].Seq) {
		err = ErrNoStudy
	}
	if err != nil {
		return p, err
	}
	return StudyPage{StudyLine: all[0], Article: "<article class=\"report\"><h1>Gauge study</h1></article>"}, nil
}
