package store

import (
	"sync"

	"fairbore/daemon/event"
)

// recentMost is how many bytes of events stay in memory at most: of readings some
// twenty thousand, which is more than a second of a flood.
const recentMost = 12 << 20

// recent holds the newest events as they were written, up to where a reader has
// come. It saves who passes the journal on from reading back what was written a
// moment ago, which costs more than writing it.
type recent struct {
	mu    sync.Mutex
	asked bool   // somebody reads; before that nothing is kept
	first uint64 // number of the first text
	texts []text // without a gap; what is in it never changes
	bytes int
}

// text is an event as it is passed on.
type text struct {
	station string
	kind    event.Kind
	body    []byte
}

// textSize is what a text takes beside its body.
const textSize = 64

func (r *recent) add(last uint64, group []*entry) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.asked {
		return
	}
	if len(r.texts) == 0 {
		r.first = last + 1
	}
	for _, e := range group {
		r.texts = append(r.texts, text{e.event.Station, e.event.Kind, e.body})
		r.bytes += len(e.body) + textSize
	}
	for r.bytes > recentMost {
		r.drop()
	}
}

// passed lets go of what a reader is done with.
func (r *recent) passed(seq uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for len(r.texts) > 0 && r.first <= seq {
		r.drop()
	}
}

func (r *recent) drop() {
	r.bytes -= len(r.texts[0].body) + textSize
	r.texts[0] = text{}
	r.texts, r.first = r.texts[1:], r.first+1
}

// after returns what follows a number up to last, limit at most; false if it does
// not hold all that comes after it.
func (r *recent) after(journal string, seq, last uint64, limit int) ([]event.Record, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.asked = true
	if len(r.texts) == 0 || seq < r.first-1 {
		return nil, false
	}
	before := r.first - 1
	to := min(max(last, before)-before, uint64(len(r.texts)))
	from := min(seq-before, to)
	to = min(from+uint64(limit), to)
	out := make([]event.Record, to-from)
	for i := range out {
		t := &r.texts[from+uint64(i)]
		out[i].Journal, out[i].Seq, out[i].Body = journal, seq+uint64(i)+1, t.body
		out[i].Station, out[i].Kind = t.station, t.kind
	}
	return out, true
}
