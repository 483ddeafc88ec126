package archive

import (
	"cmp"
	"context"
	"io"
	"slices"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/study"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
	"fairbore/daemon/report"
	"fairbore/daemon/state"
	"fairbore/daemon/store"
)

// studyReading is a reading of a gauge study, and whether it was voided.
type studyReading struct {
	event.Record
	void bool
}

// studyOf collects the newest gauge study that the options select.
func (r *reporter) studyOf(ctx context.Context) (report.GaugeStudy, error) {
	all, err := r.begun(ctx, store.Filter{Station: r.o.Station, Job: r.o.Job, From: r.o.From, To: r.o.To, Limit: 1})
	if err == nil && len(all) == 0 {
		err = analysis.Say("page.order.no_study") // and how to make one
	}
	if err != nil {
		return report.GaugeStudy{}, err
	}
	return r.study(ctx, &all[0])
}

// begun returns the events that began the studies selected by a filter, the newest first. It reads
// back no further than those.
func (a *archive) begun(ctx context.Context, f store.Filter) (all []event.Record, err error) {
	most := f.Limit
	f.Kinds, f.Limit = []event.Kind{event.Studied}, 0
	for e, err := range a.journal.Backward(ctx, f) {
		if err != nil {
			return nil, err
		}
		if !e.Study.Begun {
			continue
		}
		if all = append(all, e); len(all) == most {
			break
		}
	}
	return all, nil
}

// begunAt returns event seq of a station, if a study began with it.
func (a *archive) begunAt(ctx context.Context, station string, seq uint64) (begun []event.Record, err error) {
	for e, err := range a.journal.Query(ctx, store.Filter{Station: station, Kinds: []event.Kind{event.Studied}, AfterSeq: seq - 1, Limit: 1}) {
		if err != nil {
			return nil, err
		}
		if e.Seq == seq && e.Study.Begun {
			begun = append(begun, e)
		}
	}
	return begun, nil
}

// study collects the gauge study that began with an event, as far as it has come.
func (a *archive) study(ctx context.Context, begun *event.Record) (g report.GaugeStudy, err error) {
	g.Plan = &report.StudyPlan{}
	all, end, err := a.walkStudy(ctx, begun, g.Plan)
	if err != nil {
		return g, err
	}
	if g.Job, err = a.jobAt(ctx, begun.Study.Job, begun.Seq); err != nil {
		return g, err
	}
	g.Unit, g.Base, g.From, g.At, g.Stations = g.Job.Unit, g.Job.Low, begun.At, end.At, []string{begun.Station}
	if n := len(all); n > 0 {
		g.Gauge = all[n-1].Reading.Gauge
	}
	for _, s := range all {
		if s.Reading.Gauge != g.Gauge {
			return g, analysis.Say("page.order.two_gauges", s.Reading.Gauge, g.Gauge)
		}
	}
	g.Trace.First = begun.Seq
	g.Trace.Simulated = begun.Simulated || slices.ContainsFunc(all, func(s studyReading) bool { return s.Simulated })
	if g.Trace.Head, err = a.head(ctx, end.Seq); err != nil {
		return g, err
	}
	if g.Settings, err = a.settingsAt(ctx, begun.Station, end.Seq); err != nil {
		return g, err
	}
	arrange(&g, all)
	if !g.Plan.Short.IsZero() {
		return g, nil
	}
	return g, evaluate(&g, analysis.Length(g.Job.High-g.Job.Low).Micrometres())
}

// jobAt returns a job as it was last chosen before a row.
func (a *archive) jobAt(ctx context.Context, id string, seq uint64) (*analysis.Job, error) {
	taken, err := a.limits(ctx, id, seq)
	if err != nil {
		return nil, err
	}
	if len(taken) == 0 {
		return nil, analysis.Say("page.order.no_terms_of_job", id)
	}
	return taken[len(taken)-1].Job, nil
}

// walkStudy reads the readings of a study from its start until the study has ended and its last
// part is no longer in hand, since until then its readings may be voided. It sets plan to the state
// of the study. end is the last event that counts.
func (a *archive) walkStudy(ctx context.Context, begun *event.Record, plan *report.StudyPlan) (all []studyReading, end event.Record, err error) {
	kinds := []event.Kind{event.Studied, event.Taken, event.Voided, event.Restored, event.PartBegun, event.JobChosen, event.RoundOver, event.RoundUndone, event.Judged}
	last := uint64(0) // event of the study
	for e, err := range a.journal.Query(ctx, store.Filter{Station: begun.Station, Kinds: []event.Kind{event.Studied}, AfterSeq: begun.Seq}) {
		if err != nil {
			return nil, *begun, err
		}
		if e.Study.Begun {
			break
		}
		last = e.Seq
	}
	inHand := map[int]int{} // indexes of the readings of the part in hand, by number
	f := state.Fold{MaxReadings: state.MaxHeld, Part: &event.Part{Serial: begun.Study.Part}}
	f.Apply(&begun.Event)
	defer func() {
		all = slices.DeleteFunc(all, func(s studyReading) bool { return s.void })
		plan.Study, plan.Now = *f.Study, f.StudyNow()
	}()
	end = *begun
	for e, err := range a.journal.Query(ctx, store.Filter{Station: begun.Station, Kinds: kinds, AfterSeq: begun.Seq}) {
		if err != nil {
			return nil, end, err
		}
		switch e.Kind {
		case event.Studied:
			if e.Study.Begun { // another study; this one was abandoned
				left := *f.Study
				left.Over = true
				f.Study = &left
				return all, end, nil
			}
			end = e
		case event.Taken:
			if e.Reading.Study != nil {
				inHand[e.Reading.No] = len(all)
				all, end = append(all, studyReading{Record: e}), e
			}
		case event.Voided, event.Restored:
			if i, ok := inHand[e.Void.No]; ok {
				all[i].void, end = e.Kind == event.Voided, e
			}
		case event.PartBegun, event.JobChosen:
			if clear(inHand); f.Study.Appraiser == "" && e.Seq > last { // ended or paused
				return all, end, nil
			}
		}
		f.Apply(&e.Event)
	}
	return all, end, nil
}

// fewestTrials is how often each appraiser must gauge each part.
const fewestTrials = 2

// layout has the readings of a study by part, in the order in which the parts came, and by
// appraiser. The reading of trial k + 1 is at index k.
type layout struct {
	parts, people []string
	cells         map[string]map[string][]*studyReading
}

// laidOut sorts the readings into a layout. If a trial was gauged twice the later reading counts.
func laidOut(all []studyReading, people []string) (l layout, again []analysis.Phrase) {
	l = layout{people: people, cells: map[string]map[string][]*studyReading{}}
	for i := range all {
		s := &all[i]
		p, t := s.Reading.Part, s.Reading.Study
		if l.cells[p] == nil {
			l.cells[p] = map[string][]*studyReading{}
			l.parts = append(l.parts, p)
		}
		of := l.cells[p][t.Appraiser]
		for len(of) < t.Trial {
			of = append(of, nil)
		}
		if of[t.Trial-1] != nil {
			again = append(again, analysis.Say("study.left.again", p, t.Appraiser, t.Trial))
		}
		of[t.Trial-1] = s
		l.cells[p][t.Appraiser] = of
	}
	return l, again
}

// taken returns how many trials of a part an appraiser has done, counted from the first.
func (l *layout) taken(part, who string) int {
	of := l.cells[part][who]
	if i := slices.Index(of, nil); i >= 0 {
		return i
	}
	return len(of)
}

// whole removes the appraisers who have not gauged any part often enough, and then the parts that
// somebody has not gauged often enough. It says what it removed, and how often everyone else has
// gauged each part.
func (l *layout) whole() (trials int, left []analysis.Phrase) {
	enough := func(p, who string) bool { return l.taken(p, who) >= fewestTrials }
	l.people = slices.DeleteFunc(slices.Clone(l.people), func(who string) bool {
		none := !slices.ContainsFunc(l.parts, func(p string) bool { return enough(p, who) })
		if none {
			left = append(left, analysis.Say("study.left.nobody", who, fewestTrials))
		}
		return none
	})
	l.parts = slices.DeleteFunc(slices.Clone(l.parts), func(p string) bool {
		out := false
		for _, who := range l.people {
			if enough(p, who) {
				continue
			}
			out = true
			if n := l.taken(p, who); n > 0 {
				left = append(left, analysis.Say("study.left.seldom", p, n, who, fewestTrials))
			} else {
				left = append(left, analysis.Say("study.left.not_gauged", p, who, fewestTrials))
			}
		}
		return out
	})
	for _, p := range l.parts {
		for _, who := range l.people {
			if n := l.taken(p, who); trials == 0 || n < trials {
				trials = n
			}
		}
	}
	return trials, left
}

// arrange makes the tables of a study: everything that was gauged, and what can be evaluated, which
// is the same number of readings of each part by each appraiser. It says what it left out.
func arrange(g *report.GaugeStudy, all []studyReading) {
	l, again := laidOut(all, g.Plan.Appraisers)
	g.Plan.Taken = map[[2]string][]*analysis.Length{}
	for _, p := range l.parts {
		g.Plan.Known = append(g.Plan.Known, p)
		for who, of := range l.cells[p] {
			for _, s := range of {
				var size *analysis.Length
				if s != nil {
					size = &s.Reading.Size
				}
				g.Plan.Taken[[2]string{p, who}] = append(g.Plan.Taken[[2]string{p, who}], size)
			}
		}
	}
	trials, left := l.whole()
	g.Left = append(again, left...)
	if len(l.parts) < 2 || len(l.people) == 0 {
		g.Plan.Short = analysis.Say("study.short")
		return
	}
	for _, p := range l.parts {
		for _, who := range l.people {
			if more := l.taken(p, who) - trials; more > 0 {
				g.Left = append(g.Left, analysis.Say("study.left.last", p, who, more))
			}
			for k, s := range l.cells[p][who][:trials] {
				g.Readings = append(g.Readings, report.StudyReading{Part: p, Operator: who, Trial: k + 1, Size: s.Reading.Size, Seq: s.Seq, At: s.At, Station: s.Station})
			}
		}
	}
	g.Table = tableOf(g.Readings, g.Base)
}

// tableOf returns the table of readings to evaluate, with part, operator and trial in the order in
// which they first came. Sizes are counted from base.
func tableOf(readings []report.StudyReading, base analysis.Length) (t study.Table) {
	for _, r := range readings {
		if !slices.Contains(t.Parts, r.Part) {
			t.Parts = append(t.Parts, r.Part)
		}
		if !slices.Contains(t.Operators, r.Operator) {
			t.Operators = append(t.Operators, r.Operator)
		}
	}
	t.Values = make([][][]float64, len(t.Parts))
	for i := range t.Values {
		t.Values[i] = make([][]float64, len(t.Operators))
	}
	for _, r := range readings {
		cell := &t.Values[slices.Index(t.Parts, r.Part)][slices.Index(t.Operators, r.Operator)]
		*cell = append(*cell, (r.Size - base).Micrometres())
	}
	return t
}

// evaluate evaluates a study by both usual methods against a tolerance in µm, analysis of variance
// first. The range method can't be used with very many parts; that is then said.
func evaluate(g *report.GaugeStudy, tolerance float64) error {
	byANOVA, err := study.ByANOVA(g.Table, tolerance, study.PoolAbove)
	if err != nil {
		return err
	}
	g.Results = append(g.Results, byANOVA)
	byRange, err := study.AverageAndRange(g.Table, tolerance)
	if err != nil {
		g.Left = append(g.Left, analysis.Say("study.left.no_ranges", study.LargestSubgroup))
		return nil
	}
	g.Results = append(g.Results, byRange)
	return nil
}

// studyFrom reads a study from CSV and evaluates it.
func studyFrom(in io.Reader, tolerance analysis.Deviation, counted func([]row) analysis.Length) (g report.GaugeStudy, err error) {
	rows, err := readings(in, "part", "operator")
	if err != nil {
		return g, err
	}
	g.Unit, g.Base = rows[0].unit, counted(rows)
	trial := map[[2]string]int{}
	for _, r := range rows {
		key := [2]string{r.keys[0], r.keys[1]}
		trial[key]++
		g.Readings = append(g.Readings, report.StudyReading{Part: key[0], Operator: key[1], Trial: trial[key], Size: r.size})
	}
	g.Table = tableOf(g.Readings, g.Base)
	return g, evaluate(&g, analysis.Length(tolerance).Micrometres())
}

// StudyGauge reads a gauge study from CSV and evaluates it by both usual methods. The columns are
// part, operator and one of size_mm, size_in or size_um, with one reading a row.
func StudyGauge(in io.Reader, tolerance analysis.Deviation, out io.Writer) error {
	g, err := studyFrom(in, tolerance, func([]row) analysis.Length { return 0 })
	if err != nil {
		return err
	}
	for _, r := range slices.Backward(g.Results) { // the range method first, as people calculate by hand
		if err := lines(out, append(linesOf(r.Says()), "")); err != nil {
			return err
		}
	}
	if g.Left == nil {
		return nil
	}
	return lines(out, linesOf(g.Left))
}

// linesOf returns the texts of phrases, one a line.
func linesOf(all []analysis.Phrase) []string {
	out := make([]string, len(all))
	for i, p := range all {
		out[i] = notation.Format{}.Say(p)
	}
	return out
}

// ReportGaugeStudy writes the page of a gauge study from the CSV that [StudyGauge] reads, by both
// usual methods, analysis of variance first. It uses the options Format, Paper, Language and To,
// the date of the study.
func ReportGaugeStudy(in io.Reader, tolerance analysis.Deviation, out io.Writer, title string, o ReportOptions) error {
	paper, err := document.ParsePaper(o.Paper)
	if err != nil {
		return err
	}
	if err := o.checkFormat(); err != nil {
		return err
	}
	g, err := studyFrom(in, tolerance, base)
	if err != nil {
		return err
	}
	g.Title, g.At = title, o.To
	if o.Format == "csv" {
		return g.Rows().CSV(out)
	}
	return write(out, report.GaugeStudyReport(g, notation.Format{Language: o.Language}), o.Format, paper)
}

// base returns the size that sizes are counted from, so that the digits that differ come first: a
// whole hundredth of a millimetre, or thou, below the smallest size. Small values, as of a
// comparator, stay as they are.
func base(rows []row) analysis.Length {
	low := slices.MinFunc(rows, func(a, b row) int { return cmp.Compare(a.size, b.size) }).size
	step := analysis.Millimetre / 100
	if rows[0].unit.Inch() {
		step = analysis.Thou
	}
	if low < analysis.Millimetre {
		return 0
	}
	return low / step * step
}
