package store

import (
	"context"

	"fairbore/daemon/event"
)

// The table reading is an index of the readings by station. It takes in a whole batch of rows at a
// time, in the commit that completes the batch. If it took in each reading by itself, every commit
// would write a page of it for each station in the commit. With many gauges the index would then
// cost more disk and processor time than the readings.

// indexBatch is how many rows of the journal the table reading takes in at a time.
const indexBatch = 1024

// indexedUpTo returns the row up to which the readings are in the table reading, if the newest row
// is last. The rows above it are fewer than indexBatch. A search reads those rows themselves.
func indexedUpTo(last uint64) uint64 { return last - last%indexBatch }

// indexReadings adds the readings of a span to the table reading. It adds them sorted by station,
// so that each page of the table is written only once.
const indexReadings = `insert into reading (station, seq) select station, seq from event not indexed where seq > ? and seq <= ? and kind = 'reading' order by station, seq`

// newestReadings returns the newest readings of a station, the newest first and at most limit. It
// picks them from the row number from on, up to but not including the row number before.
func (j *Journal) newestReadings(ctx context.Context, station string, from, before uint64, limit int) ([]raw, error) {
	to := indexedUpTo(j.Last())
	out, err := readRows(ctx, j.read, (*raw).fields, "select seq, body from event not indexed where seq >= ? and seq < ? and station = ? and kind = ? order by seq desc limit ?",
		int64(max(from, to+1)), int64(before), station, string(event.Taken), limit)
	if err != nil || len(out) == limit {
		return out, err
	}
	older, err := readRows(ctx, j.read, (*raw).fields, "select e.seq, e.body from reading r cross join event e on e.seq = r.seq where r.station = ? and r.seq >= ? and r.seq < ? order by r.seq desc limit ?",
		station, int64(from), int64(min(before, to+1)), limit-len(out))
	return append(out, older...), err
}
