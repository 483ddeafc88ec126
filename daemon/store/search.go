package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"fairbore/daemon/event"
)

// PartSearch picks parts. A part must fit the filter, as for [Journal.Parts], and every field that
// is set.
type PartSearch struct {
	Filter
	Outcome string // of the newest result, see [PartSummary.Outcome]; or [Unfinished]
	Gauge   string // the part has a reading of this gauge
	Person  string // id of somebody who worked at the station while the part was in hand
	Before  uint64 // the part was begun before this number in the journal; 0: at any
}

// Unfinished is the outcome of a part that has no result.
const Unfinished = "unfinished"

// Outcome returns what became of a part.
func (s *PartSummary) Outcome() string {
	if s.Verdict == nil {
		return Unfinished
	}
	return string(s.Verdict.Outcome)
}

// PartsFound is the answer to a [PartSearch].
type PartsFound struct {
	Parts []PartSummary // the newest first, at most Limit
	// Earlier is the number before which an earlier part may be found; 0 if there is none. If fewer
	// than Limit parts were found, the search came as far as this and ended, since it looks at
	// searchMost parts at most.
	Earlier uint64
}

// searchMost is how many parts a search looks at, and searchStep how many it fetches at a time. A look
// at a part takes 0.08 ms, so that the longest search takes 0.4 s; the newest 200 parts take 10 to
// 25 ms (BenchmarkSearch, 30 Nov 2026, 100,000 parts of 4 stations, 2 cores under a load of 10).
const (
	searchMost = 5000
	searchStep = 250
)

// Search returns the newest parts that a search picks. A Limit of 0 means 200.
func (j *Journal) Search(ctx context.Context, s PartSearch) (PartsFound, error) {
	return j.search(ctx, s, searchMost, searchStep)
}

// search looks at about most parts, and fetches so many at a time as step says.
func (j *Journal) search(ctx context.Context, s PartSearch, most, step int) (found PartsFound, err error) {
	if s.Limit <= 0 {
		s.Limit = 200
	}
	defer func() {
		if err != nil {
			err = fmt.Errorf("search the parts: %w", err)
		}
	}()
	in, err := j.searchSpans(ctx, &s)
	if err != nil {
		return found, err
	}
	later, err := j.superseding(ctx, s.Station, s.AfterSeq)
	if err != nil {
		return found, err
	}
	stmt, err := j.read.PrepareContext(ctx, summary)
	if err != nil {
		return found, err
	}
	defer stmt.Close()
	u := j.packing.take()
	defer j.packing.give(u)
	to, before, f := indexedUpTo(j.Last()), cmp.Or(s.Before, j.Last()+1), s.Filter
	f.Limit = step
	for looked := 0; looked < most; {
		parts, err := j.newest(ctx, f, before)
		if err != nil {
			return found, err
		}
		for _, p := range parts {
			looked, before = looked+1, p.lo
			if !in.may(&p) {
				continue
			}
			one, err := p.summary(ctx, stmt, u, to)
			if err != nil {
				return found, fmt.Errorf("part %s of %s: %w", p.part, p.station, err)
			}
			later.over(&one)
			fits := s.Outcome == "" || one.Outcome() == s.Outcome
			if fits && s.Person != "" && one.by != s.Person {
				fits = in.named.within(&p)
			}
			if fits && s.Gauge != "" {
				fits, err = j.readBy(ctx, in.gauge, &p, to)
			}
			if err != nil {
				return found, err
			}
			if !fits {
				continue
			}
			if found.Parts = append(found.Parts, one); len(found.Parts) == s.Limit {
				found.Earlier = before
				return found, nil
			}
		}
		if len(parts) < step {
			return found, nil
		}
	}
	found.Earlier = before
	return found, nil
}

// searchSpans are the spans of the journal, by station and in order, in which a gauge was in use and a
// person was named. A map is nil if it does not matter.
type searchSpans struct{ gauge, named spansBy }

type spansBy map[string][]span

func (j *Journal) searchSpans(ctx context.Context, s *PartSearch) (in searchSpans, err error) {
	if s.Gauge != "" {
		in.gauge, err = j.inForce(ctx, s.Station, event.Configured, func(e *event.Event) bool { return e.Settings != nil && e.Settings.Gauge.Name == s.Gauge })
	}
	if s.Person != "" && err == nil {
		in.named, err = j.inForce(ctx, s.Station, event.PersonNamed, func(e *event.Event) bool { return e.Person == s.Person })
	}
	return in, err
}

// inForce returns the spans that begin with an event of a kind for which is holds, and end before the
// next of that kind at the station.
func (j *Journal) inForce(ctx context.Context, station string, kind event.Kind, is func(*event.Event) bool) (spansBy, error) {
	out, open := spansBy{}, map[string]bool{}
	last := j.Last()
	for r, err := range j.Query(ctx, Filter{Station: station, Kinds: []event.Kind{kind}}) {
		if err != nil {
			return nil, err
		}
		of := out[r.Station]
		if open[r.Station] {
			of[len(of)-1].hi = r.Seq - 1
		}
		if open[r.Station] = is(&r.Event); open[r.Station] {
			out[r.Station] = append(of, span{r.Station, r.Seq, last})
		}
	}
	return out, nil
}

// may reports whether a part can fit: each matters in a part of its span.
func (in *searchSpans) may(p *partSpan) bool {
	return (in.gauge == nil || len(in.gauge.over(p)) > 0) && (in.named == nil || len(in.named.over(p)) > 0)
}

// over returns the spans that share numbers with a part.
func (s spansBy) over(p *partSpan) []span {
	all := s[p.station]
	i, _ := slices.BinarySearchFunc(all, p.lo, func(x span, lo uint64) int { return cmp.Compare(x.hi, lo) })
	n := i
	for n < len(all) && all[n].lo <= p.hi {
		n++
	}
	return all[i:n]
}

// within reports whether one of the spans begins within a part.
func (s spansBy) within(p *partSpan) bool {
	return slices.ContainsFunc(s.over(p), func(x span) bool { return x.lo > p.lo })
}

// readBy reports whether a part has a reading that was taken in one of the spans.
func (j *Journal) readBy(ctx context.Context, in spansBy, p *partSpan, indexed uint64) (read bool, err error) {
	for _, s := range in.over(p) {
		both, _ := s.within(p.lo, p.hi)
		err = j.read.QueryRowContext(ctx, readBetween, p.station, int64(both.lo), int64(both.hi), int64(indexed)).Scan(&read)
		if read || err != nil {
			return read, err
		}
	}
	return false, nil
}

const readBetween = `select exists (select 1 from reading where station = ?1 and seq between ?2 and min(?3, ?4))
	or exists (select 1 from event not indexed where station = ?1 and kind = 'reading' and seq between max(?2, ?4 + 1) and ?3)`

// Known returns the jobs that were chosen, the newest first, the gauges that the stations had, and
// the people who worked there. It looks at the newest knownMost events of each.
func (j *Journal) Known(ctx context.Context) (jobs, gauges, people []string, err error) {
	for r, err := range j.Backward(ctx, Filter{Kinds: []event.Kind{event.JobChosen}, Limit: knownMost}) {
		if err != nil {
			return nil, nil, nil, err
		}
		if r.Job != nil && !slices.Contains(jobs, r.Job.ID) {
			jobs = append(jobs, r.Job.ID)
		}
	}
	for r, err := range j.Backward(ctx, Filter{Kinds: []event.Kind{event.Configured}, Limit: knownMost}) {
		if err != nil {
			return nil, nil, nil, err
		}
		if s := r.Settings; s != nil && !slices.Contains(gauges, s.Gauge.Name) {
			gauges = append(gauges, s.Gauge.Name)
		}
	}
	for r, err := range j.Backward(ctx, Filter{Kinds: []event.Kind{event.PersonNamed}, Limit: knownMost}) {
		if err != nil {
			return nil, nil, nil, err
		}
		if r.Person != "" && !slices.Contains(people, r.Person) {
			people = append(people, r.Person)
		}
	}
	slices.Sort(gauges)
	slices.Sort(people)
	return jobs, gauges, people, nil
}

// knownMost bounds [Journal.Known]. People are named some times in a shift.
const knownMost = 500
