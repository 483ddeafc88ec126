package store

import (
	"context"
	"database/sql"

	"fairbore/daemon/event"
)

// stretch is how many rows the table reading gains at once. An entry for each
// reading as it comes would have every commit write a page for each station in it,
// and many gauges at once then take more of the disk and of the processor for the
// look-up than for the readings.
const stretch = 1024

// listed returns up to which row the readings are in the table reading, when the
// newest row is last. Those above it are found by reading the rows, fewer than a
// stretch.
func listed(last uint64) uint64 { return last - last%stretch }

// listing moves the readings of a span into the table reading, by station, so that
// each page of it is written once.
const listing = `insert into reading (station, seq) select station, seq from event not indexed where seq > ? and seq <= ? and kind = 'reading' order by station, seq`

const readingList = `
create table reading (
	station text    not null,
	seq     integer not null,
	primary key (station, seq)
) strict, without rowid;
drop index event_station;
create index event_station on event (station, kind) where kind <> 'reading';
`

// listAll lists what an older version indexed reading by reading.
func listAll(ctx context.Context, tx *sql.Tx) error {
	if err := execAll(ctx, tx, readingList); err != nil {
		return err
	}
	var last uint64
	if err := tx.QueryRowContext(ctx, "select coalesce(max(seq), 0) from event").Scan(&last); err != nil {
		return err
	}
	_, err := tx.ExecContext(ctx, listing, 0, int64(listed(last)))
	return err
}

// newestReadings returns the newest readings of a station from a row on and before
// another, the newest first.
func (j *Journal) newestReadings(ctx context.Context, station string, from, before uint64, limit int) ([]raw, error) {
	to := listed(j.Last())
	out, err := readRaw(ctx, j.read, "select seq, body from event not indexed where seq >= ? and seq < ? and station = ? and kind = ? order by seq desc limit ?",
		int64(max(from, to+1)), int64(before), station, string(event.Taken), limit)
	if err != nil || len(out) == limit {
		return out, err
	}
	older, err := readRaw(ctx, j.read, "select e.seq, e.body from reading r cross join event e on e.seq = r.seq where r.station = ? and r.seq >= ? and r.seq < ? order by r.seq desc limit ?",
		station, int64(from), int64(min(before, to+1)), limit-len(out))
	return append(out, older...), err
}
