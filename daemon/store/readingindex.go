package store

import (
	"context"
	"fmt"

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
// so that each page of the table is written only once. An entry that is there already, which somebody
// else has put there, must not keep the journal from recording.
const indexReadings = `insert or ignore into reading (station, seq) select station, seq from event not indexed where seq > ? and seq <= ? and kind = 'reading' order by station, seq`

// repairIndex makes the table reading end where it must, if somebody else has changed it: it removes
// entries of rows that are not indexed yet or are no rows, and adds the batches that are missing at
// its end. So a person can have the whole table made anew by deleting what is in it. The whole
// table is compared by [Verify] only.
func (j *Journal) repairIndex(ctx context.Context) error {
	type end struct {
		station     string
		first, last int64
	}
	ends, err := readRows(ctx, j.write, func(e *end) []any { return []any{&e.station, &e.first, &e.last} }, `with recursive s (station) as (
		select min(station) from reading
		union all
		select (select min(r.station) from reading r where r.station > s.station) from s where s.station is not null
	) select station, (select min(seq) from reading r where r.station = s.station), (select max(seq) from reading r where r.station = s.station) from s where station is not null`)
	if err != nil {
		return fmt.Errorf("read the list of readings: %w", err)
	}
	to, listed := int64(indexedUpTo(j.last)), int64(0)
	for _, e := range ends {
		if e.first < 1 || e.last > to {
			j.warn(fmt.Sprintf("the list of readings had entries of %s for rows that are not there; they have been removed; run verify", e.station))
			if _, err := j.write.ExecContext(ctx, "delete from reading where station = ? and (seq < 1 or seq > ?)", e.station, to); err != nil {
				return fmt.Errorf("repair the list of readings: %w", err)
			}
		} else {
			listed = max(listed, e.last)
		}
	}
	if listed = listed / indexBatch * indexBatch; listed < to {
		if _, err := j.write.ExecContext(ctx, indexReadings, listed, to); err != nil {
			return fmt.Errorf("repair the list of readings: %w", err)
		}
	}
	return nil
}

// newestReadings returns the newest readings of a station, the newest first and at most limit. It
// picks them from the row number from on, up to but not including the row number before.
func (j *Journal) newestReadings(ctx context.Context, station string, from, before uint64, limit int) ([]raw, error) {
	to := indexedUpTo(j.Last())
	out, err := j.rows(ctx, "select seq, body from event not indexed where seq >= ? and seq < ? and station = ? and kind = ? order by seq desc limit ?",
		int64(max(from, to+1)), int64(before), station, string(event.Taken), limit)
	if err != nil || len(out) == limit {
		return out, err
	}
	older, err := j.rows(ctx, "select e.seq, e.body from reading r cross join event e on e.seq = r.seq where r.station = ? and r.seq >= ? and r.seq < ? order by r.seq desc limit ?",
		station, int64(from), int64(min(before, to+1)), limit-len(out))
	return append(out, older...), err
}
