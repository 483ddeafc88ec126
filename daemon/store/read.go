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

// Filter picks events; the zero value picks all. Every field narrows it.
type Filter struct {
	Station string
	Job     string       // what happened while the station worked to this job
	Part    string       // what happened while this part was in hand, its voids and verdict included
	Kinds   []event.Kind // of these kinds
	From    time.Time    // at or after
	To      time.Time    // before
	// AfterSeq picks what comes after this number in the journal, to go on
	// where an earlier answer ended. Limit bounds the answer; 0: no bound, or
	// what the function says.
	AfterSeq uint64
	Limit    int
}

// raw is a row as far as telling it needs.
type raw struct {
	seq  uint64
	body []byte
}

func (r *raw) record(id string) (event.Record, error) {
	e, err := decode(r.body)
	if err != nil {
		return event.Record{}, fmt.Errorf("event %d: %w", r.seq, err)
	}
	return event.Record{Journal: id, Seq: r.seq, Event: e, Body: r.body}, nil
}

func readRaw(ctx context.Context, db querier, query string, args ...any) (out []raw, err error) {
	rows, err := db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var r raw
		if err := rows.Scan(&r.seq, &r.body); err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

func readStored(ctx context.Context, db querier, query string, args ...any) (out []stored, err error) {
	rows, err := db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var s stored
		if err := rows.Scan(s.fields()...); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, rows.Err()
}

func (j *Journal) decode(rows []raw) ([]event.Record, error) {
	out := make([]event.Record, len(rows))
	for i := range rows {
		r, err := rows[i].record(j.id)
		if err != nil {
			return nil, err
		}
		out[i] = r
	}
	return out, nil
}

// Texts returns the recorded events after a number, in order, limit at most, for
// who passes them on as they are written: only journal, number, station, kind and
// body are set, since reading the rest out of the text costs more than fetching
// it. The newest are still in memory, so that one who keeps up costs the disk
// nothing; change nothing in them. What is on disk but not yet told of by
// [Journal.OnCommit] stays untold here as well.
func (j *Journal) RawRecords(ctx context.Context, seq uint64, limit int) (out []event.Record, err error) {
	last := j.Last()
	if rs, ok := j.tail.after(j.id, seq, last, limit); ok {
		return rs, nil
	}
	rows, err := j.read.QueryContext(ctx, "select seq, station, kind, body from event where seq > ? and seq <= ? order by seq limit ?", int64(seq), int64(last), limit)
	if err != nil {
		return nil, fmt.Errorf("read events after %d: %w", seq, err)
	}
	defer rows.Close()
	for rows.Next() {
		r := event.Record{Journal: j.id}
		if err := rows.Scan(&r.Seq, &r.Station, &r.Kind, &r.Body); err != nil {
			return nil, fmt.Errorf("read events after %d: %w", seq, err)
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

// Query yields the recorded events that a filter picks, in order, up to the
// newest at the time of the call. It reads in short steps, so that a slow taker
// does not hold the journal up. After an error it ends.
func (j *Journal) Query(ctx context.Context, f Filter) iter.Seq2[event.Record, error] {
	return func(yield func(event.Record, error) bool) {
		for r, err := range j.scan(ctx, f) {
			if err != nil {
				yield(event.Record{}, fmt.Errorf("query the journal: %w", err))
				return
			}
			rec, err := r.record(j.id)
			if !yield(rec, err) || err != nil {
				return
			}
		}
	}
}

// The numbers of a step: it grows while it finds little.
const (
	stepLeast = 512
	stepMost  = 16 << 10
	stepRows  = 1024 // found in a step, above which the next is made smaller
)

// scan yields the rows that a filter picks. Each step is one short read
// transaction over a span of numbers, whatever the filter leaves of it.
func (j *Journal) scan(ctx context.Context, f Filter) iter.Seq2[raw, error] {
	return func(yield func(raw, error) bool) {
		spans, err := j.spans(ctx, f)
		if err != nil {
			yield(raw{}, err)
			return
		}
		left, size := f.Limit, uint64(stepLeast)
		if left <= 0 {
			left = math.MaxInt
		}
		for lo := nextSpan(spans, 0); lo > 0; {
			hi := lo + size - 1
			rows, err := j.step(ctx, f, spans, lo, hi)
			if err != nil {
				yield(raw{}, err)
				return
			}
			for _, r := range rows {
				if !yield(r, nil) {
					return
				}
				if left--; left == 0 {
					return
				}
			}
			if len(rows) > stepRows {
				size = max(size/2, stepLeast)
			} else {
				size = min(size*2, stepMost)
			}
			lo = nextSpan(spans, hi)
		}
	}
}

// span is a indexBatch of the journal, of one station or ("") of all.
type span struct {
	station string
	lo, hi  uint64
}

// within returns the part of a span that lies in the numbers lo to hi, and whether there
// is any: spans themselves may be empty.
func (s span) within(lo, hi uint64) (span, bool) {
	s.lo, s.hi = max(s.lo, lo), min(s.hi, hi)
	return s, s.lo <= s.hi
}

// nextSpan returns the first number after done that lies in a span, 0 if none does.
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
		rows, err := readRaw(ctx, j.read, query, args...)
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

// statement selects what the filter leaves of a span, and says by which index:
// the planner has no statistics and may not gather any, and its guess can be
// the slow one. The span is not empty. The readings up to row listed are in their list. The rows come in
// order, and what orders them ends the statement.
func (f *Filter) statement(s span, listed uint64) (string, []any) {
	var u union
	rare := slices.DeleteFunc(slices.Clone(f.Kinds), func(k event.Kind) bool { return k == event.Taken })
	switch {
	case len(f.Kinds) > 0 && len(rare) == len(f.Kinds):
		u.rare(f, s, rare)
	case len(f.Kinds) > 0 && s.station != "":
		if s.lo <= listed {
			u.list(f, span{s.station, s.lo, min(s.hi, listed)})
		}
		if s.hi > listed {
			u.rows(f, span{s.station, max(s.lo, listed+1), s.hi}, []event.Kind{event.Taken})
		}
		if len(rare) > 0 {
			u.rare(f, s, rare)
		}
	default:
		u.rows(f, s, f.Kinds)
	}
	return strings.Join(u.parts, " union all ") + " order by seq", u.args
}

// union is a statement in the making, of selections that have no row in common.
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

// rare adds events that are no readings.
func (u *union) rare(f *Filter, s span, kinds []event.Kind) {
	by := "event_kind"
	if s.station != "" {
		by = "event_station"
	}
	u.add("event e indexed by "+by, f, s, kinds, "e.kind <> 'reading'")
}

// list adds readings of a station by their list.
func (u *union) list(f *Filter, s span) {
	u.args = append(u.args, s.station, int64(s.lo), int64(s.hi))
	u.add("reading r cross join event e on e.seq = r.seq", f, s, nil, "r.station = ?", "r.seq >= ?", "r.seq <= ?")
}

// rows adds events by reading all rows of the span.
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

// nanos is UnixNano, held to the times it can tell.
func nanos(t time.Time) int64 {
	switch {
	case t.Before(earliest):
		return math.MinInt64
	case t.After(latest):
		return math.MaxInt64
	}
	return t.UnixNano()
}

// spans returns the stretches that a filter's job and part come to.
func (j *Journal) spans(ctx context.Context, f Filter) ([]span, error) {
	last := j.Last()
	switch {
	case f.Part != "":
		whenever := f // the times are held against the events, not against when the part was begun
		whenever.From, whenever.To = time.Time{}, time.Time{}
		parts, err := j.begun(ctx, &whenever, span{f.Station, 1, last}, math.MaxInt32)
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

// jobSpans returns when a job was worked to; the times between which a station took up no
// other are one.
func (j *Journal) jobSpans(ctx context.Context, f Filter, last uint64) (out []span, err error) {
	query := `select station, seq, coalesce((select min(n.seq) from event n indexed by event_station where n.station = e.station and n.kind = 'job' and n.kind <> 'reading' and n.seq > e.seq) - 1, ?)
		from event e indexed by event_kind where kind = 'job' and kind <> 'reading' and job = ? and seq <= ?`
	args := []any{int64(last), f.Job, int64(last)}
	if f.Station != "" {
		query, args = query+" and station = ?", append(args, f.Station)
	}
	rows, err := j.read.QueryContext(ctx, query+" order by station, seq", args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var s span
		if err := rows.Scan(&s.station, &s.lo, &s.hi); err != nil {
			return nil, err
		}
		s.hi = min(s.hi, last)
		if n := len(out) - 1; n >= 0 && out[n].station == s.station && out[n].hi+1 == s.lo {
			out[n].hi = s.hi
			continue
		}
		s.lo = max(s.lo, f.AfterSeq+1)
		out = append(out, s)
	}
	return out, rows.Err()
}
