// Package archive collects from a journal what is reported, shown or exported: parts, jobs,
// masterings and studies, with the settings that were in force. It needs nothing but the journal.
package archive

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/report"
	"fairbore/daemon/store"
)

// archive collects records from a journal for reports.
type archive struct {
	journal     *store.Journal
	sign        func(*event.Head)         // signs the head that a record states; nil: nobody does
	jobs        map[string][]event.Record // by job: when it was chosen, at any station; read once
	verdicts    map[uint64]*event.Verdict // by row
	superseding map[string][]event.Record // by station: the results that supersede another; read once
}

func newArchive(j *store.Journal) *archive {
	return &archive{journal: j, jobs: map[string][]event.Record{}, verdicts: map[uint64]*event.Verdict{}, superseding: map[string][]event.Record{}}
}

// head returns the head of the journal at a row, signed if there is a key.
func (a *archive) head(ctx context.Context, seq uint64) (event.Head, error) {
	h, err := a.journal.Head(ctx, seq)
	if err == nil && a.sign != nil {
		a.sign(&h)
	}
	return h, err
}

// configured returns the newest settings in a journal, nil if there are none.
func configured(ctx context.Context, j *store.Journal) (*event.Record, error) {
	for e, err := range j.Backward(ctx, store.Filter{Kinds: []event.Kind{event.Configured}}) {
		return &e, err
	}
	return nil, nil
}

// spoken returns the shop's language as the newest settings in a journal name it.
func spoken(ctx context.Context, j *store.Journal) (*notation.Language, error) {
	e, err := configured(ctx, j)
	if err != nil || e == nil {
		return notation.English(), err
	}
	return cmp.Or(notation.Spoken(e.Settings.Language), notation.English()), nil
}

// Zone returns the shop's time zone as the newest settings in a journal name it, or else the offset
// that they were recorded with. It fails if this machine does not know the zone.
func Zone(ctx context.Context, journal string) (*time.Location, error) {
	j, err := store.View(ctx, journal)
	if err != nil {
		return time.UTC, err
	}
	defer j.Close()
	e, err := configured(ctx, j)
	switch {
	case err != nil || e == nil:
		return time.UTC, err
	case e.Settings.Zone == "":
		return e.At.Location(), nil
	}
	zone, err := time.LoadLocation(e.Settings.Zone)
	if err != nil {
		return time.UTC, fmt.Errorf("this machine does not know the time zone %s of the shop: give the times with their offset, such as 2026-11-25T08:00:00-06:00", e.Settings.Zone)
	}
	return zone, nil
}

// part collects the record of a part.
func (a *archive) part(ctx context.Context, s store.PartSummary) (report.Part, error) {
	p := report.Part{}
	var err error
	if p.Before, err = a.before(ctx, s.Station, s.Seq); err != nil {
		return p, err
	}
	if p.Lot, err = a.lot(ctx, s.Station, p.Before, s.Seq); err != nil {
		return p, err
	}
	for r, err := range a.journal.Query(ctx, store.Filter{Station: s.Station, Part: s.Part, AfterSeq: s.Seq - 1}) {
		if err != nil {
			return p, err
		}
		if r.Kind == event.PartBegun && r.Seq > s.Seq { // the part was begun again
			break
		}
		if r.Kind != event.Superseded { // which may be of another part
			p.Records = append(p.Records, r)
		}
	}
	if len(p.Records) == 0 {
		return p, fmt.Errorf("event %d of the journal begins no part; run verify", s.Seq)
	}
	end := p.Records[len(p.Records)-1]
	if p.After, err = a.nextRingCheck(ctx, s.Station, end.Seq); err != nil {
		return p, err
	}
	later, err := a.later(ctx, s.Station)
	if err != nil {
		return p, err
	}
	for i := range later {
		if s.Verdict != nil && later[i].Seq > s.Seq && later[i].Verdict.Begun == s.Verdict.Begun {
			p.Records = append(p.Records, later[i])
		}
	}
	if p.Limits, err = a.limits(ctx, s.Job, end.Seq); err != nil {
		return p, err
	}
	if p.Head, err = a.head(ctx, p.Last()); err != nil {
		return p, err
	}
	fold := p.Fold()
	set, known := fold.Terms()
	if !known {
		return p, analysis.Say("page.order.no_settings", s.Part, s.Station)
	}
	p.Bore = fold.Bore(set, judgedAt(p.Records))
	p.Bore.Journal, p.Bore.Seq = end.Journal, end.Seq
	return p, nil
}

// judgedAt returns when the last verdict was given, or else when the last event was.
func judgedAt(records []event.Record) time.Time {
	for _, r := range slices.Backward(records) {
		if r.Kind == event.Judged {
			return r.At
		}
	}
	return records[len(records)-1].At
}

// before returns the settings, the job and the mastering in force when a part was begun, with the temperature of
// the ring at that mastering, and what affected the zero since. The number of rows that it reads
// does not grow with the journal.
func (a *archive) before(ctx context.Context, station string, seq uint64) (past []event.Record, err error) {
	newest := func(k event.Kind, before uint64) (*event.Record, error) {
		r, err := a.journal.Newest(ctx, station, k, before)
		if r != nil && err == nil {
			past = append(past, *r)
		}
		return r, err
	}
	for _, k := range []event.Kind{event.Configured, event.JobChosen} {
		if _, err := newest(k, seq); err != nil {
			return nil, err
		}
	}
	mastered, err := newest(event.Mastered, seq)
	if err != nil || mastered == nil {
		return past, err
	}
	if _, err := newest(event.Warmed, mastered.Seq); err != nil {
		return nil, err
	}
	marks := []event.Kind{event.Mastered, event.Checked, event.Reread, event.Disturbed, event.Warmed, event.ClockSet}
	for r, err := range a.journal.Query(ctx, store.Filter{Station: station, Kinds: marks, AfterSeq: mastered.Seq}) {
		if err != nil {
			return nil, err
		}
		if r.Seq >= seq {
			break
		}
		past = append(past, r)
	}
	slices.SortFunc(past, func(x, y event.Record) int { return cmp.Compare(x.Seq, y.Seq) })
	return past, nil
}

// later returns the results at a station that supersede another one, in order.
func (a *archive) later(ctx context.Context, station string) ([]event.Record, error) {
	all, ok := a.superseding[station]
	if ok {
		return all, nil
	}
	for r, err := range a.journal.Query(ctx, store.Filter{Station: station, Kinds: []event.Kind{event.Superseded}}) {
		if err != nil {
			return nil, err
		}
		all = append(all, r)
	}
	a.superseding[station] = all
	return all, nil
}

// lot returns the newest results, before a row, of the parts of the job that was chosen last.
// Records of one archive share them.
func (a *archive) lot(ctx context.Context, station string, before []event.Record, seq uint64) (lot []*event.Verdict, err error) {
	i := slices.IndexFunc(before, func(r event.Record) bool { return r.Kind == event.JobChosen })
	if i < 0 {
		return nil, nil
	}
	all, err := a.journal.Verdicts(ctx, station, before[i].Seq, seq, event.LotMost)
	for i := range all {
		v := a.verdicts[all[i].Seq]
		if v == nil {
			v = all[i].Verdict
			a.verdicts[all[i].Seq] = v
		}
		lot = append(lot, v)
	}
	if err != nil {
		return nil, err
	}
	later, err := a.later(ctx, station)
	for i := range later {
		if of := slices.IndexFunc(lot, func(v *event.Verdict) bool { return v.Begun == later[i].Verdict.Begun }); of >= 0 && later[i].Seq < seq {
			lot[of] = later[i].Verdict
		}
	}
	return lot, err
}

// nextRingCheck returns the first check of the ring after a part that has a result.
func (a *archive) nextRingCheck(ctx context.Context, station string, seq uint64) ([]event.Record, error) {
	looks := []event.Kind{event.Mastered, event.Checked, event.Reread}
	for r, err := range a.journal.Query(ctx, store.Filter{Station: station, Kinds: looks, AfterSeq: seq}) {
		if err != nil {
			return nil, err
		}
		if c := r.ZeroCheck(); r.Kind == event.Mastered || c != nil && c.Valid {
			return []event.Record{r}, nil
		}
	}
	return nil, nil
}

// limits returns when a job was chosen, at any station, up to a row.
func (a *archive) limits(ctx context.Context, job string, seq uint64) ([]event.Record, error) {
	all, ok := a.jobs[job]
	if !ok {
		for r, err := range a.journal.Query(ctx, store.Filter{Job: job, Kinds: []event.Kind{event.JobChosen}}) {
			if err != nil {
				return nil, err
			}
			all = append(all, r)
		}
		a.jobs[job] = all
	}
	return all[:indexAfter(all, seq)], nil
}

// indexAfter returns the index of the first record after a row.
func indexAfter(all []event.Record, seq uint64) int {
	i, found := slices.BinarySearchFunc(all, seq, func(r event.Record, seq uint64) int { return cmp.Compare(r.Seq, seq) })
	if found {
		i++
	}
	return i
}
