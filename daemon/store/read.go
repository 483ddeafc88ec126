package store

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"
	"time"

	"fairbore/daemon/event"
)

// Filter picks events. The zero value picks all events. An event must fit every field that is set.
type Filter struct {
	Station string
	Job     string       // events that happened while this job was set at the station
	Part    string       // events while this part was current, its voids and verdict included
	Kinds   []event.Kind // events of these kinds
	From    time.Time    // events at or after this time
	To      time.Time    // events before this time
	// AfterSeq picks the events after this number in the journal. A caller sets it to continue
	// where an earlier answer ended.
	AfterSeq uint64
	// Limit is the largest number of results. 0 means no limit, unless the function says otherwise.
	Limit int
}

// raw holds the columns of a row from which an [event.Record] is made.
type raw struct {
	seq    uint64
	packed []byte
}

func (r *raw) fields() []any { return []any{&r.seq, &r.packed} }

// rows returns the rows that a query of the columns seq and body picks.
func (j *Journal) rows(ctx context.Context, query string, args ...any) ([]raw, error) {
	return readRows(ctx, j.read, (*raw).fields, query, args...)
}

// record makes a record of a row. id is that of the journal.
func (u *unpacker) record(id string, r *raw) (event.Record, error) {
	body, err := u.unpacked(r.seq, r.packed)
	if err != nil {
		return event.Record{}, err
	}
	e, err := u.decode(body)
	if err != nil {
		return event.Record{}, fmt.Errorf("event %d: %w", r.seq, err)
	}
	return event.Record{Journal: id, Seq: r.seq, Event: e, Body: body}, nil
}

func (j *Journal) records(rows []raw) ([]event.Record, error) {
	u := j.packing.take()
	defer j.packing.give(u)
	out := make([]event.Record, len(rows))
	for i := range rows {
		r, err := u.record(j.id, &rows[i])
		if err != nil {
			return nil, err
		}
		out[i] = r
	}
	return out, nil
}

// RawRecords returns the recorded events after a number, in order, at most limit. It is for a
// reader that passes the events on as they are written. Only journal, number, station, kind and
// body are set, since parsing a body costs more than fetching it. The newest events are still in
// memory, so a reader that keeps up reads nothing from the disk. The caller must not change the
// bodies. Events that are not recorded yet are not returned.
func (j *Journal) RawRecords(ctx context.Context, seq uint64, limit int) ([]event.Record, error) {
	last := j.Last()
	if rs, ok := j.tail.after(j.id, seq, last, limit); ok {
		return rs, nil
	}
	fields := func(r *event.Record) []any {
		r.Journal = j.id
		return []any{&r.Seq, &r.Station, &r.Kind, &r.Body}
	}
	rs, err := readRows(ctx, j.read, fields, "select seq, station, kind, body from event where seq > ? and seq <= ? order by seq limit ?", int64(seq), int64(last), limit)
	u := j.packing.take()
	defer j.packing.give(u)
	for i := 0; i < len(rs) && err == nil; i++ {
		rs[i].Body, err = u.unpacked(rs[i].Seq, rs[i].Body)
	}
	if err != nil {
		return nil, fmt.Errorf("read events after %d: %w", seq, err)
	}
	return rs, nil
}

// Query yields the recorded events that a filter picks, in order, up to the newest event at the
// time of the call. It reads in short steps, so that a slow caller does not hold up the journal. It
// ends after an error.
func (j *Journal) Query(ctx context.Context, f Filter) iter.Seq2[event.Record, error] {
	return func(yield func(event.Record, error) bool) {
		u := j.packing.take()
		defer j.packing.give(u)
		for rows, err := range j.scan(ctx, f) {
			if err != nil {
				yield(event.Record{}, fmt.Errorf("query the journal: %w", err))
				return
			}
			for i := range rows {
				rec, err := u.record(j.id, &rows[i])
				if !yield(rec, err) || err != nil {
					return
				}
			}
		}
	}
}

// A step reads a span of the journal. The span of the next step is larger if the step found few
// rows, and smaller if it found many.
const (
	stepLeast = 512      // smallest span of a step, in rows of the journal
	stepMost  = 16 << 10 // largest span of a step, in rows of the journal
	stepRows  = 1024     // number of rows found in a step, above which the next step is smaller
)

// scan yields the rows that a filter picks, those of a step at a time. A step makes only short reads
// over a span of the journal.
func (j *Journal) scan(ctx context.Context, f Filter) iter.Seq2[[]raw, error] {
	return func(yield func([]raw, error) bool) {
		spans, err := j.spans(ctx, f)
		if err != nil {
			yield(nil, err)
			return
		}
		left, size := f.Limit, uint64(stepLeast)
		if left <= 0 {
			left = math.MaxInt
		}
		for lo := nextSpan(spans, 0); lo > 0 && left > 0; {
			hi := min(lo+size-1, math.MaxInt64)
			rows, err := j.step(ctx, f, spans, lo, hi)
			if err == nil && len(rows) == 0 {
				hi, err = j.beforeNext(ctx, hi)
			}
			if err != nil {
				yield(nil, err)
				return
			}
			if len(rows) > stepRows {
				size = max(size/2, stepLeast)
			} else {
				size = min(size*2, stepMost)
			}
			rows = rows[:min(len(rows), left)]
			left -= len(rows)
			if len(rows) > 0 && !yield(rows, nil) {
				return
			}
			lo = nextSpan(spans, hi)
		}
	}
}

// beforeNext returns the number before the first row after seq, so that a forged row far beyond the
// others is reached in one step. It returns the highest number there can be if there is no such row.
func (j *Journal) beforeNext(ctx context.Context, seq uint64) (uint64, error) {
	var next uint64
	err := j.read.QueryRowContext(ctx, "select coalesce(min(seq) - 1, ?) from event where seq > ?", int64(math.MaxInt64), int64(seq)).Scan(&next)
	return next, err
}

// span is the rows lo to hi of the journal that are of one station, or of all stations if the
// station is "". A span is empty if lo is above hi.
type span struct {
	station string
	lo, hi  uint64
}

func (s *span) fields() []any { return []any{&s.station, &s.lo, &s.hi} }

// within returns the part of a span that lies in the numbers lo to hi. It returns false if that
// part is empty.
func (s span) within(lo, hi uint64) (span, bool) {
	s.lo, s.hi = max(s.lo, lo), min(s.hi, hi)
	return s, s.lo <= s.hi
}

// nextSpan returns the first number after done that lies in a span. It returns 0 if there is none.
func nextSpan(spans []span, done uint64) (lo uint64) {
	for _, s := range spans {
		if s.hi > done && s.lo <= s.hi && (lo == 0 || max(s.lo, done+1) < lo) {
			lo = max(s.lo, done+1)
		}
	}
	return lo
}

func (j *Journal) step(ctx context.Context, f Filter, spans []span, lo, hi uint64) (out []raw, err error) {
	n, to := 0, indexedUpTo(j.Last())
	for _, s := range spans {
		part, ok := s.within(lo, hi)
		if !ok {
			continue
		}
		query, args := f.statement(part, to)
		rows, err := j.rows(ctx, query, args...)
		if err != nil {
			return nil, err
		}
		out = append(out, rows...)
		n++
	}
	if n > 1 {
		slices.SortFunc(out, func(a, b raw) int { return cmp.Compare(a.seq, b.seq) })
	}
	return out, nil
}

// statement returns the query, and its arguments, for the rows that the filter picks from a span,
// in order. The span must not be empty. The query ends in an ORDER BY clause, to which the caller
// may add. The index of readings holds the readings up to the row indexed. The query names the
// index to use for each of its parts: the planner has no statistics, must not gather any, and may
// choose a slow index.
func (f *Filter) statement(s span, indexed uint64) (string, []any) {
	var u union
	others := slices.DeleteFunc(slices.Clone(f.Kinds), func(k event.Kind) bool { return k == event.Taken })
	switch {
	case len(f.Kinds) > 0 && len(others) == len(f.Kinds):
		u.others(f, s, others)
	case len(f.Kinds) > 0 && s.station != "":
		if s.lo <= indexed {
			u.index(f, span{s.station, s.lo, min(s.hi, indexed)})
		}
		if s.hi > indexed {
			u.rows(f, span{s.station, max(s.lo, indexed+1), s.hi}, []event.Kind{event.Taken})
		}
		if len(others) > 0 {
			u.others(f, s, others)
		}
	default:
		u.rows(f, s, f.Kinds)
	}
	return strings.Join(u.parts, " union all ") + " order by seq", u.args
}

// union joins selections into one statement. No two of the selections have a row in common.
type union struct {
	parts []string
	args  []any
}

func (u *union) add(from string, f *Filter, s span, kinds []event.Kind, where ...string) {
	where = append(where, "e.seq >= ?", "e.seq <= ?")
	u.args = append(u.args, int64(s.lo), int64(s.hi))
	if s.station != "" {
		where, u.args = append(where, "e.station = ?"), append(u.args, s.station)
	}
	if len(kinds) > 0 {
		where = append(where, "e.kind in (?"+strings.Repeat(",?", len(kinds)-1)+")")
		for _, k := range kinds {
			u.args = append(u.args, string(k))
		}
	}
	times, args := f.times()
	u.args = append(u.args, args...)
	u.parts = append(u.parts, "select e.seq as seq, e.body from "+from+" where "+strings.Join(append(where, times...), " and "))
}

// others adds a selection of events that are not readings.
func (u *union) others(f *Filter, s span, kinds []event.Kind) {
	by := "event_kind"
	if s.station != "" {
		by = "event_station"
	}
	u.add("event e indexed by "+by, f, s, kinds, "e.kind <> 'reading'")
}

// index adds a selection of the readings of a station, which are found by their index.
func (u *union) index(f *Filter, s span) {
	u.args = append(u.args, s.station, int64(s.lo), int64(s.hi))
	u.add("reading r cross join event e on e.seq = r.seq", f, s, nil, "r.station = ?", "r.seq >= ?", "r.seq <= ?")
}

// rows adds a selection of events that are found by a search through all rows of the span.
func (u *union) rows(f *Filter, s span, kinds []event.Kind) {
	u.add("event e not indexed", f, s, kinds)
}

func (f *Filter) times() (where []string, args []any) {
	if !f.From.IsZero() {
		where, args = append(where, "e.at >= ?"), append(args, nanos(f.From))
	}
	if !f.To.IsZero() {
		where, args = append(where, "e.at < ?"), append(args, nanos(f.To))
	}
	return where, args
}

// nanos returns the UnixNano of a time. For a time that UnixNano can't express it returns the
// smallest or the largest number.
func nanos(t time.Time) int64 {
	switch {
	case t.Before(earliest):
		return math.MinInt64
	case t.After(latest):
		return math.MaxInt64
	}
	return t.UnixNano()
}

// spans returns the spans of the journal in which a filter's job and part were the current ones. If
// the filter names neither, spans returns the whole journal after AfterSeq.
func (j *Journal) spans(ctx context.Context, f Filter) ([]span, error) {
	last := j.Last()
	switch {
	case f.Part != "":
		anyTime := f // From and To apply to the events of the part, not to the event that began it
		anyTime.From, anyTime.To = time.Time{}, time.Time{}
		parts, err := j.partSpans(ctx, &anyTime, span{f.Station, 1, last}, math.MaxInt32)
		if err != nil {
			return nil, err
		}
		var out []span
		for _, p := range parts {
			if f.Job == "" || f.Job == p.job {
				out = append(out, span{p.station, max(p.lo, f.AfterSeq+1), p.hi})
			}
		}
		return out, nil
	case f.Job != "":
		return j.jobSpans(ctx, f, last)
	}
	return []span{{f.Station, f.AfterSeq + 1, last}}, nil
}

// jobSpans returns the spans in which a job was set at a station. A job that was set again, with no
// other job in between, gives only one span.
func (j *Journal) jobSpans(ctx context.Context, f Filter, last uint64) (out []span, err error) {
	query := `select station, seq, coalesce((select min(n.seq) from event n indexed by event_station where n.station = e.station and n.kind = 'job' and n.kind <> 'reading' and n.seq > e.seq) - 1, ?)
		from event e indexed by event_kind where kind = 'job' and kind <> 'reading' and job = ? and seq <= ?`
	args := []any{int64(last), f.Job, int64(last)}
	if f.Station != "" {
		query, args = query+" and station = ?", append(args, f.Station)
	}
	found, err := readRows(ctx, j.read, (*span).fields, query+" order by station, seq", args...)
	if err != nil {
		return nil, err
	}
	for _, s := range found {
		s.hi = min(s.hi, last)
		if n := len(out) - 1; n >= 0 && out[n].station == s.station && out[n].hi+1 == s.lo {
			out[n].hi = s.hi
			continue
		}
		s.lo = max(s.lo, f.AfterSeq+1)
		out = append(out, s)
	}
	return out, nil
}
