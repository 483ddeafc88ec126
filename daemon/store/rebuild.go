package store

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"fairbore/daemon/event"
)

// rebuildMost is the largest number of recent events of one kind that Rebuild returns. It keeps the
// next start fast if a gauge was left streaming into one part. It is larger than the number of
// readings that a state holds, since it also covers the readings since the mastering.
const rebuildMost = 4096

// Rebuild returns the events from which the state of a station follows, in order, without reading
// the other events. Folding them gives the same state as folding all events of the station. They
// are:
//
//   - all events since the mastering that was in force when the current part was begun (or the job
//     chosen), or since the part was begun if there was no mastering;
//   - of the earlier events, the newest of each kind, for facts that hold until the next event of
//     that kind (the job, the gauge, the start), and the newest results;
//   - of the earlier events, the newest temperature of the ring; and, if the station was not
//     mastered, the events about rings.
//
// Of each kind it returns the newest 4096 at most. How long it takes depends on the number of these
// events, not on the length of the journal.
func (j *Journal) Rebuild(ctx context.Context, station string) ([]event.Record, error) {
	rows, err := j.rebuild(ctx, station)
	if err != nil {
		return nil, fmt.Errorf("rebuild the state of %s: %w", station, err)
	}
	return j.records(rows)
}

func (j *Journal) rebuild(ctx context.Context, station string) (out []raw, err error) {
	kinds, err := j.kinds(ctx, station)
	if err != nil {
		return nil, err
	}
	base, mastered, err := j.base(ctx, station)
	if err != nil {
		return nil, err
	}
	for _, k := range kinds {
		from := base
		if !mastered && (k == event.Mastering || k == event.RingRead || k == event.Checked || k == event.Reread || k == event.SpeedsChecked) {
			from = 0
		}
		rows, err := j.newestOf(ctx, station, k, from, math.MaxInt64, rebuildMost)
		if err != nil {
			return nil, err
		}
		most := 1
		if k == event.Judged { // the verdicts on the finished parts of the job
			most = event.LotMost
		}
		if k == event.Superseded { // they are few, and each may be about any of those
			most = rebuildMost
		}
		before, err := j.newestOf(ctx, station, k, 0, from, most)
		if err != nil {
			return nil, err
		}
		out = append(append(out, rows...), before...)
	}
	// A temperature event need not have the temperature of the ring, so the newest event that has
	// it is looked for.
	ring, err := j.newestOfRing(ctx, station, base)
	if err != nil {
		return nil, err
	}
	out = append(out, ring...)
	slices.SortFunc(out, func(a, b raw) int { return cmp.Compare(a.seq, b.seq) })
	return slices.CompactFunc(out, func(a, b raw) bool { return a.seq == b.seq }), nil
}

// base returns the number of the event from which on Rebuild returns all events, and whether that
// event is a mastering. A mastering in the middle of the current part is not the base, since the
// readings before it are judged by the previous mastering.
func (j *Journal) base(ctx context.Context, station string) (base uint64, mastered bool, err error) {
	for _, k := range []event.Kind{event.JobChosen, event.PartBegun} {
		rows, err := j.newestOf(ctx, station, k, base, math.MaxInt64, 1)
		if err != nil {
			return 0, false, err
		}
		if len(rows) > 0 {
			base = rows[0].seq
		}
	}
	rows, err := j.newestOf(ctx, station, event.Mastered, 0, base, 1)
	if err != nil || len(rows) == 0 {
		return base, false, err
	}
	return rows[0].seq, true, nil
}

// kinds returns the kinds of the events that a station has, and always the kind of a reading. The
// query finds each kind by one search in an index.
func (j *Journal) kinds(ctx context.Context, station string) (out []event.Kind, err error) {
	kind := func(k *event.Kind) []any { return []any{k} }
	out, err = readRows(ctx, j.read, kind, `with recursive k (kind) as (
		select min(kind) from event indexed by event_station where station = ?1 and kind <> 'reading'
		union all
		select (select min(e.kind) from event e indexed by event_station where e.station = ?1 and e.kind > k.kind and e.kind <> 'reading') from k where k.kind is not null
	) select kind from k where kind is not null`, station)
	return append(out, event.Taken), err
}

// newestOfRing returns the newest temperature event of a station before a number that has the
// temperature of the ring, none if there is none.
func (j *Journal) newestOfRing(ctx context.Context, station string, before uint64) ([]raw, error) {
	u := j.packing.take()
	defer j.packing.give(u)
	for limit := 1; ; limit = min(limit*8, 512) {
		rows, err := j.newestOf(ctx, station, event.Warmed, 0, before, limit)
		if err != nil {
			return nil, err
		}
		for i := range rows {
			r, err := u.record(j.id, &rows[i])
			if err != nil {
				return nil, err
			}
			if r.Warm != nil && r.Warm.Ring != nil {
				return rows[i : i+1], nil
			}
		}
		if len(rows) < limit {
			return nil, nil
		}
		before = rows[len(rows)-1].seq
	}
}

// Newest returns the newest event of a kind of a station before a number, nil if there is none. Of
// the temperature events it returns the newest that has the temperature of the ring.
func (j *Journal) Newest(ctx context.Context, station string, k event.Kind, before uint64) (_ *event.Record, err error) {
	var rows []raw
	if before = min(before, math.MaxInt64); k == event.Warmed {
		rows, err = j.newestOfRing(ctx, station, before)
	} else {
		rows, err = j.newestOf(ctx, station, k, 0, before, 1)
	}
	if err != nil || len(rows) == 0 {
		return nil, err
	}
	all, err := j.records(rows)
	if err != nil {
		return nil, err
	}
	return &all[0], nil
}

// Verdicts returns the newest verdicts of a station, in order and at most the number most. It picks
// them from the number from on, up to but not including the number before.
func (j *Journal) Verdicts(ctx context.Context, station string, from, before uint64, most int) ([]event.Record, error) {
	rows, err := j.newestOf(ctx, station, event.Judged, from, min(before, math.MaxInt64), most)
	if err != nil {
		return nil, err
	}
	slices.Reverse(rows)
	return j.records(rows)
}

// newestOf returns the newest events of a kind of a station, the newest first and at most limit. It
// picks them from the number from on, up to but not including the number before.
func (j *Journal) newestOf(ctx context.Context, station string, k event.Kind, from, before uint64, limit int) ([]raw, error) {
	from = max(from, 1) // a row below 1 is no event of the journal
	if k == event.Taken {
		return j.newestReadings(ctx, station, from, before, limit)
	}
	return j.rows(ctx, "select seq, body from event indexed by event_station where station = ? and kind = ? and kind <> 'reading' and seq >= ? and seq < ? order by seq desc limit ?",
		station, string(k), int64(from), int64(before), limit)
}
