package archive

import (
	"context"
	"html/template"
	"time"

	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/report"
	"fairbore/daemon/store"
	"fairbore/daemon/web"
)

// History answers the pages about parts in the journal.
type History struct {
	Journal *store.Journal
	Zone    *time.Location // in which the times of parts are stated
}

// Parts implements [web.History].
func (h History) Parts(ctx context.Context, f web.PartFilter) (lines []web.PartLine, earlier uint64, err error) {
	found, err := h.Journal.Search(ctx, store.PartSearch{
		Filter:  store.Filter{Station: f.Station, Job: f.Job, Part: f.Part, From: f.From, To: f.To, Limit: f.Limit},
		Outcome: f.Outcome, Gauge: f.Gauge, Person: f.Person, Before: f.Before,
	})
	for _, p := range found.Parts {
		lines = append(lines, web.PartLine{
			Station: p.Station, Job: p.Job, Part: p.Part, Seq: p.Seq, First: p.First.In(h.Zone), Last: p.Last.In(h.Zone), Readings: p.Readings, Verdict: p.Verdict, VerdictSeq: p.VerdictSeq, Superseded: p.Superseded, Simulated: p.Simulated,
		})
	}
	return lines, found.Earlier, err
}

// Known implements [web.History].
func (h History) Known(ctx context.Context) (jobs, gauges, people []string, err error) {
	return h.Journal.Known(ctx)
}

// Record implements [web.History].
func (h History) Record(ctx context.Context, station string, seq uint64) (web.PartRecord, error) {
	p, err := newArchive(h.Journal).partAt(ctx, station, seq)
	if err != nil {
		return web.PartRecord{}, err
	}
	return web.PartRecord{Bore: p.Bore, Fold: p.Fold(), Events: p.Records}, nil
}

// partAt returns the part that began with event seq of a station. It fails with [web.ErrNoPart] if no
// part began there.
func (a *archive) partAt(ctx context.Context, station string, seq uint64) (report.Part, error) {
	none := report.Part{}
	if seq == 0 {
		return none, web.ErrNoPart
	}
	serial := ""
	for r, err := range a.journal.Query(ctx, store.Filter{Station: station, Kinds: []event.Kind{event.PartBegun}, AfterSeq: seq - 1, Limit: 1}) {
		if err != nil {
			return none, err
		}
		if r.Seq != seq {
			return none, web.ErrNoPart
		}
		serial = r.Part.Serial
	}
	parts, err := a.journal.Parts(ctx, store.Filter{Station: station, Part: serial, AfterSeq: seq - 1})
	if err != nil {
		return none, err
	}
	if len(parts) == 0 || parts[len(parts)-1].Seq != seq { // the newest part comes first
		return none, web.ErrNoPart
	}
	return a.part(ctx, parts[len(parts)-1])
}

// Studies implements [web.History].
func (h History) Studies(ctx context.Context, station, job string, most int) ([]web.StudyLine, error) {
	all, err := newArchive(h.Journal).begun(ctx, store.Filter{Station: station, Job: job, Limit: most})
	lines := make([]web.StudyLine, len(all))
	for i := range all {
		lines[i] = studyLine(&all[i])
	}
	return lines, err
}

func studyLine(e *event.Record) web.StudyLine {
	return web.StudyLine{Station: e.Station, Job: e.Study.Job, Seq: e.Seq, At: e.At, Parts: e.Study.Parts, Appraisers: e.Study.Appraisers}
}

// Study implements [web.History].
func (h History) Study(ctx context.Context, station string, seq uint64, f notation.Format) (p web.StudyPage, err error) {
	a := newArchive(h.Journal)
	var begun []event.Record
	if seq == 0 {
		begun, err = a.begun(ctx, store.Filter{Station: station, Limit: 1})
	} else {
		begun, err = a.begunAt(ctx, station, seq)
	}
	if err != nil {
		return p, err
	}
	if len(begun) == 0 {
		return p, web.ErrNoStudy
	}
	g, err := a.study(ctx, &begun[0])
	if err != nil {
		return p, err
	}
	// A document's text is escaped.
	return web.StudyPage{StudyLine: studyLine(&begun[0]), Open: g.Plan.Now != nil, Article: template.HTML(report.GaugeStudyReport(g, f).Fragment())}, nil
}
