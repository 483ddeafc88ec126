package store

import (
	"sync"

	"fairbore/daemon/event"
)

// tailMost is how many bytes of events stay in memory at most. It holds some twenty
// thousand readings, which is more than a second at the highest rate.
const tailMost = 12 << 20

// tailCache holds the newest events as they were written, after the cursor of their
// reader. Reading back what was written a moment ago costs more than writing it.
type tailCache struct {
	mu      sync.Mutex
	wanted  bool        // somebody has read; nothing is kept before that
	first   uint64      // number of the first record
	records []rawRecord // without a gap; what is in it never changes
	bytes   int
}

// rawRecord is what [Journal.RawRecords] returns of an event.
type rawRecord struct {
	station string
	kind    event.Kind
	body    []byte
}

// rawOverhead is what a rawRecord takes beside its body, in bytes.
const rawOverhead = 64

// add adds a group whose first event has the number after last.
func (c *tailCache) add(last uint64, group []*entry) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.wanted {
		return
	}
	if len(c.records) == 0 {
		c.first = last + 1
	}
	for _, e := range group {
		c.records = append(c.records, rawRecord{e.event.Station, e.event.Kind, e.body})
		c.bytes += len(e.body) + rawOverhead
	}
	for c.bytes > tailMost {
		c.drop()
	}
}

// release drops the records up to a number, which the reader does not need any more.
func (c *tailCache) release(seq uint64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for len(c.records) > 0 && c.first <= seq {
		c.drop()
	}
}

func (c *tailCache) drop() {
	c.bytes -= len(c.records[0].body) + rawOverhead
	c.records[0] = rawRecord{}
	c.records, c.first = c.records[1:], c.first+1
}

// after returns the records after the number seq, up to last, at most limit. It
// returns false if it does not hold all of them.
func (c *tailCache) after(journal string, seq, last uint64, limit int) ([]event.Record, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.wanted = true
	if len(c.records) == 0 || seq < c.first-1 {
		return nil, false
	}
	before := c.first - 1
	to := min(max(last, before)-before, uint64(len(c.records)))
	from := min(seq-before, to)
	to = min(from+uint64(limit), to)
	out := make([]event.Record, to-from)
	for i := range out {
		r := &c.records[from+uint64(i)]
		out[i].Journal, out[i].Seq, out[i].Body = journal, seq+uint64(i)+1, r.body
		out[i].Station, out[i].Kind = r.station, r.kind
	}
	return out, true
}
