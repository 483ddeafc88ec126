package store

import (
	"sync"

	"fairbore/daemon/session"
)

// recentMost is how many records stay in memory at most, some 5 MB of readings;
// the older half goes when it is full.
const recentMost = 4096

// recent holds the newest records, as they were told. It saves who follows the
// journal from reading back what was written a moment ago, which costs more
// than writing it.
type recent struct {
	mu      sync.Mutex
	records []session.Record // in order, without a gap; what is in it never changes
}

func (r *recent) add(told []session.Record) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.records)+len(told) > recentMost { // a copy, since others may still look at the old one
		keep := r.records[len(r.records)-min(len(r.records), recentMost/2):]
		r.records = append(make([]session.Record, 0, recentMost), keep...)
	}
	r.records = append(r.records, told...)
}

// after returns the records after a number up to last, limit at most; false if
// it does not hold all that come after it.
func (r *recent) after(seq, last uint64, limit int) ([]session.Record, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.records) == 0 || seq < r.records[0].Seq-1 {
		return nil, false
	}
	before := r.records[0].Seq - 1
	to := min(max(last, before)-before, uint64(len(r.records)))
	from := min(seq-before, to)
	to = min(from+uint64(limit), to)
	return r.records[from:to:to], true
}
