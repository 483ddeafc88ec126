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
	Part    string       // what happened while this part was the current one, its voids and verdict included
	Kinds   []event.Kind // of these kinds
	From    time.Time    // at or after
	To      time.Time    // before
	// AfterSeq picks what comes after this number in the journal, to go on
	// where an earlier answer ended. Limit bounds the answer; 0: no bound, or
	// what the function says.
	AfterSeq uint64
	Limit    int
}

// raw is what a [event.Record] is made of.
type raw struct {
	seq  uint64
	body []byte
}

func (r *raw) fields() []any { return []any{&r.seq, &r.body} }

func (r *raw) record(id string) (event.Record, error) {
	e, err := decode(r.body)
	if err != nil {
		return event.Record{}, fmt.Errorf("event %d: %w", r.seq, err)
	}
	return event.Record{Journal: id, Seq: r.seq, Event: e, Body: r.body}, nil
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

// RawRecords returns the recorded events after a number, in order, limit at most, for a
// reader that passes them on as they are written. Only journal, number, station, kind
// and body are set, since parsing the body costs more than fetching it. The newest
// are still in memory, so that a reader that keeps up costs the disk nothing; they must not be
// changed. What [Journal.OnCommit] has not been called with yet is not returned.
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
	if err != nil {
		return nil, fmt.Errorf("read events after %d: %w", seq, err)
	}
	return rs, nil
}

// Query yields the recorded events that a filter picks, in order, up to the
// newest at the time of the call. It reads in short steps, so that a slow caller
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

// A step reads a span of the journal. The span grows while few rows are found in it.
const (
	stepLeast = 512
	stepMost  = 16 << 10
	stepRows  = 1024 // found in a step, above which the next step is smaller
)

// scan yields the rows that a filter picks. Each step is one short read transaction
// over a span of the journal.
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

// span is the rows lo to hi of the journal, of one station or ("") of all.
type span struct {
	station string
	lo, hi  uint64
}

func (s *span) fields() []any { return []any{&s.station, &s.lo, &s.hi} }

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
		rows, err := readRows(ctx, j.read, (*raw).fields, query, args...)
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

// statement selects what the filter picks from a span that is not empty, in order; more
// may be added to the ORDER BY at its end. The readings up to the row indexed are in
// their index. The statement names the index to use for each part: the planner has no
// statistics, must not gather any, and may choose the slow one.
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

// union joins selections that have no row in common into one statement.
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

// others adds events of kinds other than readings.
func (u *union) others(f *Filter, s span, kinds []event.Kind) {
	by := "event_kind"
	if s.station != "" {
		by = "event_station"
	}
	u.add("event e indexed by "+by, f, s, kinds, "e.kind <> 'reading'")
}

// index adds readings of a station by their index.
func (u *union) index(f *Filter, s span) {
	u.args = append(u.args, s.station, int64(s.lo), int64(s.hi))
	u.add("reading r cross join event e on e.seq = r.seq", f, s, nil, "r.station = ?", "r.seq >= ?", "r.seq <= ?")
}

// rows adds events by a search through all rows of the span.
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

// nanos is UnixNano, limited to the times that it can express.
func nanos(t time.Time) int64 {
	switch {
	case t.Before(earliest):
		return math.MinInt64
	case t.After(latest):
		return math.MaxInt64
	}
	return t.UnixNano()
}

// spans returns the spans of the journal that a filter's job and part stand for.
func (j *Journal) spans(ctx context.Context, f Filter) ([]span, error) {
	last := j.Last()
	switch {
	case f.Part != "":
		anyTime := f // From and To apply to the events, not to when the part was begun
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

// jobSpans returns the spans in which a job was set at a station. A job that was set
// again, with no other in between, gives one span.
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
