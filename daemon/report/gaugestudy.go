package report

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/study"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
)

// GaugeStudy is a study of how much of the spread of readings the gauge and the
// people bring in, by one or both of the usual methods.
type GaugeStudy struct {
	Title string    // of what: gauge and job
	From  time.Time // of the first reading, if it is known
	At    time.Time // when it was made
	// Unit is that of the drawing: of inches all is said in millionths, else in µm.
	Unit    analysis.Unit
	Base    analysis.Length // what the values of the table are counted from
	Table   study.Table
	Results []study.GaugeStudy

	// Of a study from the journal.
	Job      *analysis.Job
	Gauge    string
	Stations []string
	Trace    Trace
	// Readings are those of the table with where they come from, for the CSV.
	Readings []StudyReading
	Left     []string // what was left out, and why
	// Plan is what was asked for and how far it has come; nil if that is not known.
	Plan *StudyPlan
}

// StudyPlan is the plan of a study at a station, and what was gauged of it.
type StudyPlan struct {
	event.Study
	Now   *state.StudyNow // nil if it is no longer under way
	Known []string        // the parts gauged so far
	// Taken are the sizes by part and appraiser: that of trial k + 1 at k, nil where it is missing.
	Taken map[[2]string][]*analysis.Length
	Short string // why it can't be evaluated yet, "" if it can
}

// StudyReading is a reading of a gauge study.
type StudyReading struct {
	Part, Operator string
	Trial          int
	Size           analysis.Length
	// Of a study from the journal.
	Seq     uint64
	At      time.Time
	Station string
}

// GaugeStudyReport puts the page of a gauge study together.
func GaugeStudyReport(g GaugeStudy) *document.Document {
	d := &document.Document{Title: "Gauge study", Lead: clean(g.Title), At: g.At}
	trials := 0
	if len(g.Results) > 0 {
		trials = g.Results[0].Trials
	}
	d.Add(g.progress()...)
	if g.Plan != nil && g.Plan.Short != "" {
		d.Subject = counts(g.Plan.Parts, len(g.Plan.Appraisers), g.Plan.Trials) + " planned"
		d.Outcome = &document.Outcome{Mark: document.Open, Word: "TOO FEW READINGS", Why: g.Plan.Short}
		if g.Plan.Now != nil {
			d.Outcome.Word = "UNDER WAY"
		}
	} else {
		d.Subject = counts(len(g.Table.Parts), len(g.Table.Operators), trials)
	}
	if len(g.Results) > 0 {
		d.Outcome = studyStamp(&g.Results[0], &g)
		if g.Plan != nil && g.Plan.Now != nil && g.Plan.Now.Taken < g.Plan.Now.Wanted {
			d.Outcome = &document.Outcome{Mark: document.Open, Word: "UNDER WAY", Why: "So far: " + d.Outcome.Why}
		}
		d.Add(g.facts(trials))
		d.Add(g.shares(&g.Results[0]), document.Lines(g.Results[0].Says()), g.drawn())
	}
	for i := range g.Results {
		r := &g.Results[i]
		d.Add(document.Heading("By "+r.Method), g.sources(r))
		if len(r.Rows) > 0 {
			d.Add(g.anova(r))
		}
		if r.RangeLimit.OK {
			d.Add(document.Lines(g.ranges(r)))
		}
	}
	if g.Plan != nil {
		d.Add(document.Heading("Readings"), g.taken())
	} else {
		d.Add(document.Heading("Readings"), g.readings(trials))
	}
	if g.Left != nil {
		d.Add(document.Heading("Left out"), document.Lines(cleaned(g.Left)))
	}
	if g.Trace.Journal != "" {
		g.Trace.stand(d)
	}
	d.Add(document.Signature{"studied by", "date"})
	return d
}

// counts says how large a study is.
func counts(parts, operators, trials int) string {
	return fmt.Sprintf("%s × %s × %s", analysis.Count(parts, "part", "parts"), analysis.Count(operators, "operator", "operators"), analysis.Count(trials, "trial", "trials"))
}

// progress says how far a study under way has come, and who is to gauge what.
func (g *GaugeStudy) progress() []document.Block {
	if g.Plan == nil || g.Plan.Now == nil {
		return nil
	}
	now := g.Plan.Now
	of := []document.Field{{Name: "gauged", Value: fmt.Sprintf("%d of %d", now.Taken, now.Wanted)}, {Name: "place", Value: where(now.Place, g.Unit)}}
	turn := func(who, part string, trial int) []document.Field {
		return []document.Field{{Name: "appraiser", Value: clean(who)}, {Name: "part", Value: clean(part)}, {Name: "trial", Value: fmt.Sprintf("%d of %d", trial, now.Trials)}}
	}
	out := document.Fields{{Name: "Under way", Fields: of}}
	if now.Taking {
		out = append(out, document.Group{Name: "To gauge now", Fields: turn(now.Appraiser, now.Part, now.Trial)})
	}
	if n := now.Next; n != nil {
		out = append(out, document.Group{Name: "Next", Fields: turn(n.Appraiser, n.Part, n.Trial)})
	} else if !now.Taking {
		out = append(out, document.Group{Name: "Next", Fields: []document.Field{{Name: "all is gauged", Value: "end the study at the station"}}})
	}
	return []document.Block{out}
}

// taken tables all that was gauged, a row a part, with a dash for what is missing.
func (g *GaugeStudy) taken() document.Block {
	if len(g.Plan.Known) == 0 {
		return document.Para("No reading yet.")
	}
	t := &document.Table{Columns: []document.Column{{Head: "part", Left: true}}, Notes: []string{g.counted() + "."}}
	for _, who := range g.Plan.Appraisers {
		for k := range g.Plan.Trials {
			t.Columns = append(t.Columns, document.Column{Head: clean(who) + " " + strconv.Itoa(k+1)})
		}
	}
	for _, p := range g.Plan.Known {
		row := []string{clean(p)}
		for _, who := range g.Plan.Appraisers {
			of := g.Plan.Taken[[2]string{p, who}]
			for k := range g.Plan.Trials {
				cell := "–"
				if k < len(of) && of[k] != nil {
					cell = g.fine((*of[k] - g.Base).Micrometres(), 2)
				}
				row = append(row, cell)
			}
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func cleaned(lines []string) []string {
	out := make([]string, len(lines))
	for i, l := range lines {
		out[i] = clean(l)
	}
	return out
}

// unit is what spreads are said in.
func (g *GaugeStudy) unit() string { return fine(g.Unit).String() }

// step is that unit in µm.
func (g *GaugeStudy) step() float64 {
	if g.Unit.Inch() {
		return analysis.MicroInch.Micrometres()
	}
	return 1
}

// fine writes a value in µm in the unit of the study, without it.
func (g *GaugeStudy) fine(v float64, decimals int) string {
	v /= g.step()
	if g.Unit.Inch() { // millionths are as fine with two places less
		decimals = max(0, decimals-2)
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return minus(s)
}

// spread is a standard deviation with its unit, or a dash.
func (g *GaugeStudy) spread(s study.Stat) string {
	if !s.OK {
		return "–"
	}
	return g.fine(s.Value, 3) + " " + g.unit()
}

func (g *GaugeStudy) facts(trials int) document.Fields {
	of := []document.Field{}
	if g.Gauge != "" {
		of = append(of, document.Field{Name: "gauge", Value: clean(g.Gauge)})
	}
	if g.Job != nil {
		of = append(of, document.Field{Name: "job", Value: strings.Join(filled(clean(g.Job.ID), clean(g.Job.Title)), ", ")}, document.Field{Name: "low limit", Value: both(g.Job.Low, g.Unit)}, document.Field{Name: "high limit", Value: both(g.Job.High, g.Unit)})
	}
	r := &g.Results[0]
	tolerance := "not given; held against the spread of the parts"
	if r.Tolerance > 0 {
		tolerance = g.fine(r.Tolerance, 2) + " " + g.unit()
	}
	of = append(of, document.Field{Name: "tolerance", Value: tolerance})
	made := []document.Field{{Name: "parts", Value: strconv.Itoa(len(g.Table.Parts))}, {Name: "people", Value: clean(strings.Join(g.Table.Operators, ", "))}, {Name: "each", Value: analysis.Count(trials, "time", "times")}}
	if g.Stations != nil {
		made = append(made, document.Field{Name: "at", Value: clean(strings.Join(g.Stations, ", "))})
	}
	if !g.From.IsZero() {
		made = append(made, document.Field{Name: "taken", Value: span(g.From, g.At)})
	}
	return document.Fields{{Name: "What was studied", Fields: of}, {Name: "How", Fields: made}, {Name: "What was found", Fields: g.found(r)}}
}

// found are the figures that are looked for first.
func (g *GaugeStudy) found(r *study.GaugeStudy) []document.Field {
	repeat := g.spread(r.Repeatability.SD)
	if r.RepeatLow.OK && r.RepeatHigh.OK {
		repeat += fmt.Sprintf(" (95 %% sure: %s to %s)", g.fine(r.RepeatLow.Value, 3), g.fine(r.RepeatHigh.Value, 3))
	}
	out := []document.Field{{Name: "repeatability", Value: repeat}, {Name: "between people", Value: g.spread(r.Operator.SD)}}
	if r.Gauge.SD.OK {
		out = append(out, document.Field{Name: "together, 6 sd", Value: g.fine(6*r.Gauge.SD.Value, 2) + " " + g.unit()})
	}
	if r.Gauge.OfTolerance.OK {
		out = append(out, document.Field{Name: "GRR, tolerance", Value: stat(r.Gauge.OfTolerance, "%.1f %%")})
	}
	out = append(out, document.Field{Name: "GRR, spread", Value: stat(r.Gauge.OfTotal, "%.1f %%")})
	if r.Distinct.OK {
		out = append(out, document.Field{Name: "ndc (classes)", Value: strconv.Itoa(int(r.Distinct.Value))})
	}
	return out
}

// studyStamp is the usual table's word on the gauge: below 10 % good, up to 30 %
// by agreement, above it not good enough (common practice).
func studyStamp(r *study.GaugeStudy, g *GaugeStudy) *document.Outcome {
	j := r.Judged()
	against := "total spread"
	if r.Tolerance > 0 {
		against = fmt.Sprintf("tolerance of %s %s", g.fine(r.Tolerance, 2), g.unit())
	}
	why := fmt.Sprintf("The gauge takes %.1f %% of the %s.", j.Value, against)
	switch {
	case !j.OK:
		return &document.Outcome{Mark: document.Open, Word: "CANNOT JUDGE", Why: j.Why}
	case j.Value < study.GoodShare && r.Few():
		return &document.Outcome{Mark: document.Open, Word: "GOOD SO FAR", Why: why + " Too few readings to rely on."}
	case j.Value < study.GoodShare:
		return &document.Outcome{Mark: document.Good, Word: "GOOD", Why: why}
	case j.Value <= study.WorstShare:
		return &document.Outcome{Mark: document.Open, Word: "BY AGREEMENT", Why: why}
	}
	return &document.Outcome{Mark: document.Bad, Word: "NOT GOOD ENOUGH", Why: why + " Guard bands and repeats make up for it."}
}

// shares draws what each source takes of what the gauge is judged against.
func (g *GaugeStudy) shares(r *study.GaugeStudy) document.Figure {
	title, of := "six standard deviations of each, against the tolerance", func(s study.Source) study.Stat { return s.OfTolerance }
	if r.Tolerance <= 0 {
		title, of = "standard deviation of each, against that of all readings", func(s study.Source) study.Stat { return s.OfTotal }
	}
	c := picture.Shares{Title: title, Good: study.GoodShare, Worst: study.WorstShare, W: 1000, H: 250}
	for _, s := range named(r) {
		if x := of(s.Source); x.OK && s.name != "total" {
			c.Bars = append(c.Bars, picture.Share{Name: s.name, Value: x.Value, Whole: s.name == whole})
		}
	}
	return document.Figure{Drawing: c, W: c.W, H: c.H, Caption: "What gauge, people and parts bring in. The gauge is judged by the dark bar: good below 10 %, by agreement up to 30 %."}
}

// drawn draws the readings.
func (g *GaugeStudy) drawn() document.Figure {
	limit := 0.0
	for i := range g.Results {
		if l := g.Results[i].RangeLimit; l.OK {
			limit = l.Value
		}
	}
	in := g.step()
	c := picture.Study{Parts: cleaned(g.Table.Parts), Operators: cleaned(g.Table.Operators), Limit: limit / in, Title: g.counted(), W: 1000, H: 330}
	for _, by := range g.Table.Values {
		var row [][]float64
		for _, trials := range by {
			cell := make([]float64, len(trials))
			for k, v := range trials {
				cell[k] = v / in
			}
			row = append(row, cell)
		}
		c.Values = append(c.Values, row)
	}
	words := "A bar is one person's readings of a part, the marks on it are the readings; the people stand from left to right in the order named, and the broken line is the mean of the part."
	if limit > 0 {
		words += " A bar that is longer than repeats explain has a frame."
	}
	return document.Figure{Drawing: c, W: c.W, H: c.H, Caption: words}
}

// counted says what the values of the table are.
func (g *GaugeStudy) counted() string {
	if g.Base == 0 {
		return g.unit()
	}
	return g.unit() + " above " + size(g.Base, g.Unit) + " " + large(g.Unit).String()
}

// whole is the source that the gauge is judged by.
const whole = "gauge, all together"

type namedSource struct {
	name string
	study.Source
}

func named(r *study.GaugeStudy) []namedSource {
	return []namedSource{
		{"repeatability (gauge)", r.Repeatability}, {"operators", r.Operator}, {"operators with parts", r.Interaction},
		{whole, r.Gauge}, {"parts", r.Part}, {"total", r.Total},
	}
}

func (g *GaugeStudy) sources(r *study.GaugeStudy) *document.Table {
	t := &document.Table{Columns: append([]document.Column{{Head: "source", Left: true}}, numbers("sd, "+g.unit(), "share of variance, %", "of total sd, %", "6 sd of tolerance, %")...)}
	for _, s := range named(r) {
		if s.SD.OK {
			t.Rows = append(t.Rows, []string{s.name, g.fine(s.SD.Value, 3), stat(s.Contribution, "%.1f"), stat(s.OfTotal, "%.1f"), stat(s.OfTolerance, "%.1f")})
		}
	}
	return t
}

// stat writes a value that may be used, else a dash.
func stat(s study.Stat, format string) string {
	if !s.OK {
		return "–"
	}
	return fmt.Sprintf(format, s.Value)
}

// anova tables the sums, in µm² whatever the drawing's unit.
func (g *GaugeStudy) anova(r *study.GaugeStudy) *document.Table {
	t := &document.Table{Caption: "Analysis of variance", Columns: append([]document.Column{{Head: "source", Left: true}}, numbers("degrees of freedom", "sum of squares, µm²", "mean square, µm²", "F", "chance")...)}
	for _, x := range r.Rows {
		t.Rows = append(t.Rows, []string{x.Source, strconv.Itoa(x.DF), fmt.Sprintf("%.4g", x.SS), fmt.Sprintf("%.4g", x.MS), stat(x.F, "%.2f"), chance(x.P)})
	}
	if r.Pooled {
		t.Notes = []string{"Operators with parts was taken as noise and pooled with the repeats."}
	}
	return t
}

// chance writes a probability; one that is small is not called none.
func chance(p study.Stat) string {
	if p.OK && p.Value < 0.0005 {
		return "< 0.001"
	}
	return stat(p, "%.3f")
}

// ranges says which ranges are above their limit.
func (g *GaugeStudy) ranges(r *study.GaugeStudy) []string {
	out := []string{fmt.Sprintf("Repeats may differ by up to %s %s.", g.fine(r.RangeLimit.Value, 3), g.unit())}
	for i, by := range g.Table.Values {
		for k, cell := range by {
			if w := slices.Max(cell) - slices.Min(cell); w > r.RangeLimit.Value {
				out = append(out, fmt.Sprintf("Those of part %s by %s differ by %s: gauge it again.", clean(g.Table.Parts[i]), clean(g.Table.Operators[k]), g.fine(w, 3)))
			}
		}
	}
	return out
}

// readings tables the readings, a row a part, in the order given.
func (g *GaugeStudy) readings(trials int) *document.Table {
	t := &document.Table{Columns: []document.Column{{Head: "part", Left: true}}}
	for _, o := range g.Table.Operators {
		for k := range trials {
			t.Columns = append(t.Columns, document.Column{Head: clean(o) + " " + strconv.Itoa(k+1)})
		}
	}
	for i, p := range g.Table.Parts {
		row := []string{clean(p)}
		for _, cell := range g.Table.Values[i] {
			for _, v := range cell {
				row = append(row, g.fine(v, 2))
			}
		}
		t.Rows = append(t.Rows, row)
	}
	t.Notes = []string{g.counted() + "."}
	return t
}

// CSV writes the readings, a row each, in the columns that a gauge study takes.
func (g GaugeStudy) CSV(w io.Writer) error {
	head := []string{"journal", "seq", "at", "station", "gauge", "job", "part", "operator", "trial", "size_mm"}
	job := ""
	if g.Job != nil {
		job = g.Job.ID
	}
	var rows [][]string
	for _, r := range g.Readings {
		seq, at := "", ""
		if r.Seq != 0 {
			seq, at = strconv.FormatUint(r.Seq, 10), stamped(r.At)
		}
		rows = append(rows, []string{g.Trace.Journal, seq, at, guard(r.Station), guard(g.Gauge), guard(job), guard(r.Part), guard(r.Operator), strconv.Itoa(r.Trial), mm(r.Size)})
	}
	return writeCSV(w, head, rows)
}
