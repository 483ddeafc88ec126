package store

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"math"
	"slices"

	"fairbore/daemon/event"
)

// backRows is the largest number of rows that a step backward reads from each span.
const backRows = 64

// Backward yields the recorded events that a filter picks, the newest first. It begins with the
// newest event at the time of the call. It reads in short steps of few rows, so that a caller who
// wants only the newest events does not wait for the others. It ends after an error.
func (j *Journal) Backward(ctx context.Context, f Filter) iter.Seq2[event.Record, error] {
	return func(yield func(event.Record, error) bool) {
		left := f.Limit
		if left <= 0 {
			left = math.MaxInt
		}
		u := j.packing.take()
		defer j.packing.give(u)
		for rows, err := range j.stepsBack(ctx, f) {
			if err != nil {
				yield(event.Record{}, fmt.Errorf("query the journal backward: %w", err))
				return
			}
			for i := range rows {
				rec, err := u.record(j.id, &rows[i])
				if !yield(rec, err) || err != nil {
					return
				}
				if left--; left == 0 {
					return
				}
			}
		}
	}
}

// stepsBack yields the rows that a filter picks, the newest first. It yields the rows of one step
// at a time. As in scan, a step makes only short reads over a span of the journal.
func (j *Journal) stepsBack(ctx context.Context, f Filter) iter.Seq2[[]raw, error] {
	return func(yield func([]raw, error) bool) {
		spans, err := j.spans(ctx, f)
		if err != nil {
			yield(nil, err)
			return
		}
		size := uint64(stepLeast)
		for hi := prevSpan(spans, math.MaxUint64); hi > 0; {
			rows, from, err := j.stepBack(ctx, f, spans, hi-min(size, hi)+1, hi)
			if err != nil {
				yield(nil, err)
				return
			}
			if len(rows) > 0 && !yield(rows, nil) {
				return
			}
			size = min(size*2, stepMost)
			hi = prevSpan(spans, from)
		}
	}
}

// prevSpan returns the last number before done that lies in a span. It returns 0 if there is none.
func prevSpan(spans []span, done uint64) (hi uint64) {
	for _, s := range spans {
		if s.lo < done && s.lo <= s.hi {
			hi = max(hi, min(s.hi, done-1))
		}
	}
	return hi
}

// stepBack reads rows from the numbers lo to hi, the newest first. It may leave out older rows:
// out holds every row that the filter picks from the number from up to hi.
func (j *Journal) stepBack(ctx context.Context, f Filter, spans []span, lo, hi uint64) (out []raw, from uint64, err error) {
	from = lo
	to := indexedUpTo(j.Last())
	for _, s := range spans {
		part, ok := s.within(lo, hi)
		if !ok {
			continue
		}
		query, args := f.statement(part, to)
		rows, err := j.rows(ctx, query+" desc limit ?", append(args, backRows)...)
		if err != nil {
			return nil, 0, err
		}
		if len(rows) == backRows { // the span may have more rows
			from = max(from, rows[len(rows)-1].seq)
		}
		out = append(out, rows...)
	}
	slices.SortFunc(out, func(a, b raw) int { return cmp.Compare(b.seq, a.seq) })
	for len(out) > 0 && out[len(out)-1].seq < from {
		out = out[:len(out)-1]
	}
	return out, from, nil
}
