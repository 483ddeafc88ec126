package daemon

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"fairbore/daemon/report"
	"fairbore/daemon/session"
	"fairbore/daemon/store"
)

// partRecord gathers what the journal has of a part: the newest with that serial
// number at the station.
func (d *Daemon) partRecord(ctx context.Context, station, serial string) (report.Part, error) {
	parts, err := d.journal.Parts(ctx, store.Filter{Station: station, Part: serial, Limit: 1})
	if err != nil {
		return report.Part{}, err
	}
	if len(parts) == 0 {
		return report.Part{}, fmt.Errorf("the journal has no part %q of station %s", serial, station)
	}
	return d.archive().part(ctx, parts[0])
}

// archive gathers records from a journal for reports. What the parts of a station
// have in common is read once.
type archive struct {
	journal *store.Journal
	// settings are those of a station with a gauge, false if they are not known.
	settings func(station, gauge string) (session.Settings, bool)
	marks    map[string][]session.Record // by station: what a part may rest on that came before or after it
	jobs     map[string][]session.Record // by job: the times that it was taken up, anywhere
}

func newArchive(j *store.Journal, settings func(station, gauge string) (session.Settings, bool)) *archive {
	return &archive{journal: j, settings: settings, marks: map[string][]session.Record{}, jobs: map[string][]session.Record{}}
}

// part gathers the record of a part.
func (a *archive) part(ctx context.Context, s store.PartSummary) (report.Part, error) {
	p := report.Part{}
	var err error
	if p.Before, err = a.before(ctx, s.Station, s.Seq); err != nil {
		return p, err
	}
	for r, err := range a.journal.Query(ctx, store.Filter{Station: s.Station, Part: s.Part, AfterSeq: s.Seq - 1}) {
		if err != nil {
			return p, err
		}
		if r.Kind == session.PartBegun && r.Seq > s.Seq { // begun anew
			break
		}
		p.Records = append(p.Records, r)
	}
	if len(p.Records) == 0 {
		return p, fmt.Errorf("event %d of the journal begins no part; run verify", s.Seq)
	}
	end := p.Records[len(p.Records)-1]
	if p.After, err = a.after(ctx, s.Station, end.Seq); err != nil {
		return p, err
	}
	if p.Limits, err = a.limits(ctx, s.Job, end.Seq); err != nil {
		return p, err
	}
	if p.Hash, err = a.journal.Head(ctx, p.Last()); err != nil {
		return p, err
	}
	set, known := a.settings(s.Station, gaugeOf(p.Records))
	p.NoSettings = !known
	moment := s.Last
	if s.Verdict == nil { // as it stands
		moment = end.At
	}
	p.Bore = p.Fold().Bore(&set, moment)
	p.Bore.Journal, p.Bore.Seq = end.Journal, end.Seq
	return p, nil
}

// gaugeOf returns the gauge of the newest reading, "" without one.
func gaugeOf(records []session.Record) string {
	for i := len(records) - 1; i >= 0; i-- {
		if r := records[i].Reading; r != nil {
			return r.Gauge
		}
	}
	return ""
}

// station returns what a part of a station may rest on that is not of the part.
func (a *archive) station(ctx context.Context, name string) ([]session.Record, error) {
	if marks, ok := a.marks[name]; ok {
		return marks, nil
	}
	kinds := []session.Kind{session.JobChosen, session.Mastered, session.Checked, session.Reread, session.Disturbed, session.Warmed, session.ClockSet}
	var marks []session.Record
	for r, err := range a.journal.Query(ctx, store.Filter{Station: name, Kinds: kinds}) {
		if err != nil {
			return nil, err
		}
		marks = append(marks, r)
	}
	a.marks[name] = marks
	return marks, nil
}

// before returns the job and mastering in force when a part was begun, with the
// ring's temperature at that mastering and what came to the zero since.
func (a *archive) before(ctx context.Context, station string, seq uint64) ([]session.Record, error) {
	all, err := a.station(ctx, station)
	if err != nil {
		return nil, err
	}
	all = all[:after(all, seq-1)]
	job := lastOf(all, session.JobChosen)
	mastered := lastOf(all, session.Mastered)
	var past []session.Record
	if job >= 0 {
		past = append(past, all[job])
	}
	if mastered < 0 {
		return past, nil
	}
	for i := mastered - 1; i >= 0; i-- {
		if w := all[i].Warm; w != nil && w.Ring != nil {
			past = append(past, all[i])
			break
		}
	}
	for i := mastered; i < len(all); i++ {
		if all[i].Kind != session.JobChosen {
			past = append(past, all[i])
		}
	}
	slices.SortFunc(past, func(x, y session.Record) int { return cmp.Compare(x.Seq, y.Seq) })
	return past, nil
}

// after returns the first look at a ring that tells something after a part.
func (a *archive) after(ctx context.Context, station string, seq uint64) ([]session.Record, error) {
	all, err := a.station(ctx, station)
	if err != nil {
		return nil, err
	}
	for i := after(all, seq); i < len(all); i++ {
		c := all[i].Check
		if r := all[i].Reread; r != nil { // a good one does not renew the zero, so it tells nothing of the part
			c = r.Failed()
		}
		if all[i].Kind == session.Mastered || c != nil && c.Valid {
			return all[i : i+1 : i+1], nil
		}
	}
	return nil, nil
}

// limits returns the times that a job was taken up anywhere, up to a row.
func (a *archive) limits(ctx context.Context, job string, seq uint64) ([]session.Record, error) {
	all, ok := a.jobs[job]
	if !ok {
		for r, err := range a.journal.Query(ctx, store.Filter{Job: job, Kinds: []session.Kind{session.JobChosen}}) {
			if err != nil {
				return nil, err
			}
			all = append(all, r)
		}
		a.jobs[job] = all
	}
	return all[:after(all, seq)], nil
}

// after returns the index of the first record after a row.
func after(all []session.Record, seq uint64) int {
	i, found := slices.BinarySearchFunc(all, seq, func(r session.Record, seq uint64) int { return cmp.Compare(r.Seq, seq) })
	if found {
		i++
	}
	return i
}

func lastOf(all []session.Record, k session.Kind) int {
	for i := len(all) - 1; i >= 0; i-- {
		if all[i].Kind == k {
			return i
		}
	}
	return -1
}
