package archive

import (
	"context"
	"slices"

	"fairbore/daemon/event"
	"fairbore/daemon/store"
)

// Standing returns what stands of the part to which a result of a station belongs, nil if the
// journal has no such result of that part. What stands may be another result than that one.
func Standing(ctx context.Context, j *store.Journal, station, job, part string, seq uint64) (*event.Standing, error) {
	if seq == 0 {
		return nil, nil
	}
	var of *event.Verdict
	for r, err := range j.Query(ctx, store.Filter{Station: station, Kinds: []event.Kind{event.Judged, event.Superseded}, AfterSeq: seq - 1, Limit: 1}) {
		if err != nil {
			return nil, err
		}
		if r.Seq == seq && r.Verdict.Part == part && r.Verdict.Job == job {
			of = r.Verdict
		}
	}
	if of == nil {
		return nil, nil
	}
	for before := seq; before > 0; {
		found, err := j.Search(ctx, store.PartSearch{Filter: store.Filter{Station: station, Job: job, Part: part}, Before: before})
		if err != nil {
			return nil, err
		}
		before = found.Earlier
		i := slices.IndexFunc(found.Parts, func(s store.PartSummary) bool { return s.Verdict != nil && s.Verdict.Begun == of.Begun })
		if i < 0 {
			continue
		}
		s := found.Parts[i]
		p, err := newArchive(j).part(ctx, s)
		if err != nil {
			return nil, err
		}
		f := p.Fold()
		if f.Job == nil { // the journal does not say what was asked for
			return nil, nil
		}
		return &event.Standing{Seq: s.VerdictSeq, Verdict: s.Verdict, Doubted: f.Doubted, Measured: *f.Measured()}, nil
	}
	return nil, nil
}

// ToContinue returns where a part was begun the last time, if it was sent to rework then; nil
// otherwise.
func ToContinue(ctx context.Context, j *store.Journal, job, part string) (*event.Beginning, error) {
	parts, err := j.Parts(ctx, store.Filter{Job: job, Part: part, Limit: 1})
	if err != nil || len(parts) == 0 || parts[0].Verdict == nil || parts[0].Verdict.Outcome != event.ToRework {
		return nil, err
	}
	return &event.Beginning{Station: parts[0].Station, Seq: parts[0].Seq}, nil
}
