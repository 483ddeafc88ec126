package store

import (
	"sync"

	"fairbore/daemon/event"
)

// tailMost is the largest number of bytes of events that are kept in memory. That is enough for
// about twenty thousand readings, which take more than a second to come at the highest rate.
const tailMost = 12 << 20

// tailCache keeps the newest events in memory, as they were written, for a reader that follows the
// journal. It drops the events up to the reader's cursor. It exists because reading events back
// from the disk right after they were written costs more than writing them.
type tailCache struct {
	mu      sync.Mutex
	wanted  bool        // a reader has asked for events; none are kept before that
	first   uint64      // number of the first record
	records []rawRecord // the records in order, without a gap; a record never changes
	bytes   int         // size of the records
}

// rawRecord holds the parts of an event that [Journal.RawRecords] returns.
type rawRecord struct {
	station string
	kind    event.Kind
	body    []byte
}

// rawOverhead is how many bytes a rawRecord takes beside its body.
const rawOverhead = 64

// add adds the events of a group. The number of the first event is last+1.
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

// release drops the records up to a number. The reader does not need those any more.
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

// after returns the records after the number seq and up to the number last, at most limit. It
// returns false if the cache does not hold all of them.
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
