package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/study"
	"fairbore/daemon/picture"
	"fairbore/daemon/report"
	"fairbore/daemon/session"
	"fairbore/daemon/store"
)

// A gauge study is taken at a station like any other gauging: the same parts, by
// each person, at least twice. What belongs to it, and who gauged, is said in
// notes: "study: NAME" before a person begins, "study over" at the end. Readings
// that are void are not in it, and honing ends it: it makes another part of a part.

// studyNote returns who gauges from a note on, "" where a study ends; ok is false
// for a note of another kind.
func studyNote(note string) (who string, ok bool) {
	note = strings.TrimSpace(note)
	if strings.EqualFold(note, "study over") {
		return "", true
	}
	const mark = "study:"
	if len(note) < len(mark) || !strings.EqualFold(note[:len(mark)], mark) {
		return "", false
	}
	return strings.Join(strings.Fields(note[len(mark):]), " "), true
}

// studyGap parts one study from the next: a study is taken within days (common practice).
const studyGap = 7 * 24 * time.Hour

// studied is a reading of a study.
type studied struct {
	session.Record
	who  string
	void bool
}

// studyOf gathers the newest gauge study of a job from the journal, or the newest
// that the options pick.
func (r *reporter) studyOf(ctx context.Context) (g report.GaugeStudy, err error) {
	all, err := r.studied(ctx)
	if err != nil {
		return g, err
	}
	if len(all) == 0 {
		return g, errors.New("the journal has no reading of a gauge study here; note \"study: NAME\" at the station before each person gauges the parts, each at least twice, and \"study over\" at the end")
	}
	end := all[len(all)-1]
	if job := end.Reading.Job; r.o.Job == "" { // the newest study's
		all = slices.DeleteFunc(all, func(s studied) bool { return s.Reading.Job != job })
	}
	for i := len(all) - 1; i > 0; i-- {
		if all[i].At.Sub(all[i-1].At) > studyGap {
			all = all[i:]
			break
		}
	}
	for i := range all {
		if a := all[i].Reading.Gauge; a != end.Reading.Gauge {
			return g, fmt.Errorf("gauges %s and %s were studied; name the station, or the time", a, end.Reading.Gauge)
		}
	}
	if g.Job, err = r.jobAt(ctx, end.Reading.Job, end.Seq); err != nil {
		return g, err
	}
	g.Unit, g.Base = g.Job.Unit, g.Job.Low
	if err := arrange(&g, all); err != nil {
		return g, err
	}
	g.Trace = report.Trace{Journal: r.journal.ID(), First: all[0].Seq, Last: end.Seq}
	if g.Trace.Hash, err = r.journal.Head(ctx, end.Seq); err != nil {
		return g, err
	}
	g.Gauge, g.From, g.At = end.Reading.Gauge, all[0].At, end.At
	g.Title = strings.TrimSpace("gauge " + g.Gauge + " on " + g.Job.ID + " " + g.Job.Title)
	return g, evaluate(&g, analysis.Length(g.Job.High-g.Job.Low).Micrometres())
}

// jobAt is a job as it was taken up last before a row.
func (r *reporter) jobAt(ctx context.Context, id string, seq uint64) (*analysis.Job, error) {
	taken, err := r.limits(ctx, id, seq)
	if err != nil {
		return nil, err
	}
	if len(taken) == 0 {
		return nil, fmt.Errorf("the journal does not say what job %s asks for; run verify", id)
	}
	return taken[len(taken)-1].Job, nil
}

// studied returns the readings of all gauge studies that the options pick, in
// order, without those that are void.
func (r *reporter) studied(ctx context.Context) (all []studied, err error) {
	walked := map[string]uint64{} // by station
	for note, err := range r.journal.Query(ctx, store.Filter{Station: r.o.Station, Kinds: []session.Kind{session.Told}}) {
		if err != nil {
			return nil, err
		}
		if who, ok := studyNote(note.Note); !ok || who == "" || note.Seq <= walked[note.Station] {
			continue
		}
		var some []studied
		if some, walked[note.Station], err = r.walk(ctx, note.Station, note.Seq); err != nil {
			return nil, err
		}
		all = append(all, some...)
	}
	all = slices.DeleteFunc(all, func(s studied) bool {
		return s.void || r.o.Job != "" && s.Reading.Job != r.o.Job || s.At.Before(r.o.From) || !r.o.To.IsZero() && !s.At.Before(r.o.To)
	})
	slices.SortFunc(all, func(a, b studied) int { return cmp.Compare(a.Seq, b.Seq) })
	return all, nil
}

// walk takes the readings of a station from a note on, until the study is over and
// the part that was in hand then is out of it: until then its readings may be struck out.
func (r *reporter) walk(ctx context.Context, station string, seq uint64) (out []studied, last uint64, err error) {
	kinds := []session.Kind{session.Told, session.Taken, session.Voided, session.Restored, session.JobChosen, session.PartBegun, session.RoundOver}
	who, inHand := "", map[int]int{} // of the part in hand: where its readings are, by number
	for e, err := range r.journal.Query(ctx, store.Filter{Station: station, Kinds: kinds, AfterSeq: seq - 1}) {
		if err != nil {
			return nil, 0, err
		}
		last = e.Seq
		switch e.Kind {
		case session.Told:
			if name, ok := studyNote(e.Note); ok {
				who = name
			}
		case session.Taken:
			if who != "" {
				inHand[e.Reading.No] = len(out)
				out = append(out, studied{Record: e, who: who})
			}
		case session.Voided, session.Restored:
			if i, ok := inHand[e.Void.No]; ok {
				out[i].void = e.Kind == session.Voided
			}
		case session.RoundOver:
			if e.Round.Strokes > 0 || e.Round.Seconds > 0 { // honed: it is another bore from here on
				who = ""
			}
		default: // another part, or job
			clear(inHand)
			if e.Kind == session.JobChosen {
				who = ""
			}
			if who == "" {
				return out, last, nil
			}
		}
	}
	return out, last, nil
}

// fewestTrials is how often each person has to gauge each part.
const fewestTrials = 2

// layout is the readings of a study by part, at each place, and person, both in the
// order in which they first came.
type layout struct {
	parts, people []string
	cells         map[string]map[string][]studied
}

func laidOut(all []studied, u analysis.Unit) layout {
	l := layout{cells: map[string]map[string][]studied{}}
	name := partName(all, u)
	for _, s := range all {
		p := name(s)
		if l.cells[p] == nil {
			l.cells[p] = map[string][]studied{}
			l.parts = append(l.parts, p)
		}
		if !slices.Contains(l.people, s.who) {
			l.people = append(l.people, s.who)
		}
		l.cells[p][s.who] = append(l.cells[p][s.who], s)
	}
	return l
}

// whole takes the parts out that somebody did not gauge often enough. It says why,
// and how often the others were gauged by everybody.
func (l *layout) whole() (trials int, left []string) {
	l.parts = slices.DeleteFunc(l.parts, func(p string) bool {
		least := len(l.cells[p][l.people[0]])
		for _, who := range l.people {
			n := len(l.cells[p][who])
			least = min(least, n)
			if n < fewestTrials {
				left = append(left, fmt.Sprintf("Part %s: gauged %s by %s; %d times are wanted.", p, times(n), who, fewestTrials))
			}
		}
		if least >= fewestTrials && (trials == 0 || least < trials) {
			trials = least
		}
		return least < fewestTrials
	})
	return trials, left
}

// arrange makes the table of a study: of each part as many readings by each person
// as all have. What has no counterpart is left out, and said.
func arrange(g *report.GaugeStudy, all []studied) error {
	l := laidOut(all, g.Unit)
	trials, left := l.whole()
	if len(l.parts) < 2 {
		return fmt.Errorf("a gauge study wants at least two parts that each person gauged at least twice. %s", strings.Join(left, " "))
	}
	g.Table, g.Left = study.Table{Parts: l.parts, Operators: l.people}, left
	for _, p := range l.parts {
		var row [][]float64
		for _, who := range l.people {
			of := l.cells[p][who]
			if more := len(of) - trials; more > 0 {
				g.Left = append(g.Left, fmt.Sprintf("Part %s by %s: the last %s, which not all have.", p, who, parted(more)))
			}
			var cell []float64
			for k, s := range of[:trials] {
				cell = append(cell, (s.Reading.Size - g.Base).Micrometres())
				g.Readings = append(g.Readings, report.StudyReading{Part: p, Operator: who, Trial: k + 1, Size: s.Reading.Size, Seq: s.Seq, At: s.At, Station: s.Station})
			}
			row = append(row, cell)
		}
		g.Table.Values = append(g.Table.Values, row)
	}
	for _, s := range all {
		if !slices.Contains(g.Stations, s.Station) {
			g.Stations = append(g.Stations, s.Station)
		}
	}
	return nil
}

func parted(n int) string {
	if n == 1 {
		return "reading"
	}
	return fmt.Sprintf("%d readings", n)
}

// partName names what a reading is of: the part, and the place where more than one
// was gauged, which are then as many bores to tell apart.
func partName(all []studied, u analysis.Unit) func(studied) string {
	for _, s := range all {
		if s.Reading.Place != all[0].Reading.Place {
			return func(s studied) string { return s.Reading.Part + " at " + picture.For(u).Place(s.Reading.Place) }
		}
	}
	return func(s studied) string { return s.Reading.Part }
}

func times(n int) string {
	switch n {
	case 0:
		return "not"
	case 1:
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// evaluate evaluates a study by both usual methods against a tolerance in µm, the
// analysis of variance first; ranges say nothing of very many parts.
func evaluate(g *report.GaugeStudy, tolerance float64) error {
	byANOVA, err := study.ByANOVA(g.Table, tolerance, study.PoolAbove)
	if err != nil {
		return err
	}
	g.Results = append(g.Results, byANOVA)
	byRange, err := study.AverageAndRange(g.Table, tolerance)
	if err != nil {
		g.Left = append(g.Left, "Average and range: "+err.Error()+".")
		return nil
	}
	g.Results = append(g.Results, byRange)
	return nil
}

// ReportGaugeStudy writes the page of a gauge study from the CSV that [StudyGauge]
// takes, by both usual methods, the analysis of variance first. Of the options,
// Format, Paper and To count, which is the date of the study.
func ReportGaugeStudy(in io.Reader, tolerance analysis.Deviation, out io.Writer, title string, o ReportOptions) error {
	paper, err := report.ParsePaper(o.Paper)
	if err != nil {
		return err
	}
	if err := o.checkFormat(); err != nil {
		return err
	}
	rows, err := readings(in, "part", "operator")
	if err != nil {
		return err
	}
	g := report.GaugeStudy{Title: title, At: o.To, Unit: rows[0].unit, Base: base(rows)}
	if g.Table, err = table(rows, g.Base); err != nil {
		return err
	}
	trial := map[[2]string]int{}
	for _, r := range rows {
		key := [2]string{r.keys[0], r.keys[1]}
		trial[key]++
		g.Readings = append(g.Readings, report.StudyReading{Part: key[0], Operator: key[1], Trial: trial[key], Size: r.size})
	}
	if err := evaluate(&g, analysis.Length(tolerance).Micrometres()); err != nil {
		return err
	}
	if o.Format == "csv" {
		return g.CSV(out)
	}
	return write(out, report.GaugeStudyReport(g), o.Format, paper)
}

// base is what sizes are counted from, so that the digits that differ stand in
// front: a whole hundredth of a millimetre, or thou, below the smallest. Small
// values, as of a comparator, stay as they are.
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
