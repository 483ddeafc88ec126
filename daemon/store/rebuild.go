package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"fairbore/daemon/session"
)

// rebuildMost bounds how many events of one kind Rebuild returns, so that a
// gauge left streaming into one part does not make the next start slow. It is
// what a [session.Fold] keeps of a part.
const rebuildMost = 4096

// Rebuild returns what the state of a station follows from, in order, without
// reading the rest: folding it gives what folding all events of the station
// gives. That is
//
//   - everything since the part in hand was begun, or the job was chosen;
//   - the newest start, job and state of the gauge before that;
//   - the newest mastering, and what the readings, the ring and the clock did
//     since, for that may outlast the part.
//
// Of each kind it returns the newest 4096 at most. How long it takes depends on
// that, not on how long the journal is.
func (j *Journal) Rebuild(ctx context.Context, station string) ([]session.Record, error) {
	rows, err := j.rebuild(ctx, station)
	if err != nil {
		return nil, fmt.Errorf("rebuild the state of %s: %w", station, err)
	}
	return j.decode(rows)
}

func (j *Journal) rebuild(ctx context.Context, station string) (out []raw, err error) {
	last := map[session.Kind]uint64{}
	kinds, err := j.kinds(ctx, station)
	if err != nil {
		return nil, err
	}
	for _, k := range kinds {
		rows, err := j.newestOf(ctx, station, k, 0, 1)
		if err != nil {
			return nil, err
		}
		last[k] = rows[0].seq
	}
	start := max(last[session.PartBegun], last[session.JobChosen])
	for _, k := range kinds {
		from := min(start, last[k])
		switch k {
		case session.Started, session.JobChosen, session.GaugeSeen, session.Mastered:
			// the newest holds, even if older than the part
		case session.Taken, session.ClockSet:
			from = start
			if m := last[session.Mastered]; m > 0 {
				from = min(start, m)
			}
		case session.Mastering, session.RingRead:
			from = min(start, last[session.Mastered])
		default:
			from = start
		}
		rows, err := j.newestOf(ctx, station, k, from, rebuildMost)
		if err != nil {
			return nil, err
		}
		out = append(out, rows...)
	}
	slices.SortFunc(out, func(a, b raw) int { return cmp.Compare(a.seq, b.seq) })
	return out, nil
}

// kinds returns the kinds of event that a station has, by a look-up each.
func (j *Journal) kinds(ctx context.Context, station string) (out []session.Kind, err error) {
	rows, err := j.read.QueryContext(ctx, `with recursive k (kind) as (
		select min(kind) from event indexed by event_station where station = ?1
		union all
		select (select min(e.kind) from event e indexed by event_station where e.station = ?1 and e.kind > k.kind) from k where k.kind is not null
	) select kind from k where kind is not null`, station)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var k session.Kind
		if err := rows.Scan(&k); err != nil {
			return nil, err
		}
		out = append(out, k)
	}
	return out, rows.Err()
}

// newestOf returns the newest events of a kind from a number on, the newest first.
func (j *Journal) newestOf(ctx context.Context, station string, k session.Kind, from uint64, limit int) ([]raw, error) {
	return readRaw(ctx, j.read, "select seq, body from event indexed by event_station where station = ? and kind = ? and seq >= ? order by seq desc limit ?",
		station, string(k), int64(from), limit)
}
