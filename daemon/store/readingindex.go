package store

import (
	"context"

	"fairbore/daemon/event"
)

// The table reading is an index of the readings by station. It grows by whole
// batches of rows, in the commit that completes a batch: an entry for each reading as
// it comes would make every commit write a page for each station in it, and with
// many gauges the index would take more of the disk and the processor than the readings.

// indexBatch is how many rows of the journal the table reading gains at once.
const indexBatch = 1024

// indexedUpTo returns the row up to which the readings are in the table reading, if
// the newest row is last. There are fewer than indexBatch rows above it; those are
// searched themselves.
func indexedUpTo(last uint64) uint64 { return last - last%indexBatch }

// indexReadings enters the readings of a span into the table reading, by station, so
// that each page of it is written once.
const indexReadings = `insert into reading (station, seq) select station, seq from event not indexed where seq > ? and seq <= ? and kind = 'reading' order by station, seq`

// newestReadings returns the newest readings of a station from a row on and before
// another, the newest first.
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
