package report

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/study"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
)

// GaugeStudy is a study of how much the gauge and the people contribute to the variation of
// readings, by one or both of the usual methods.
type GaugeStudy struct {
	Title string    // of what, for a study that is not from the journal
	From  time.Time // time of the first reading, if known
	At    time.Time // when the study was made
	// Unit is the unit of the drawing. For inches all results are in millionths, else in µm.
	Unit    analysis.Unit
	Base    analysis.Length // size that the values of the table are counted from
	Table   study.Table
	Results []study.GaugeStudy

	// Set for a study from the journal.
	Job      *analysis.Job
	Gauge    string
	Stations []string
	Trace    Trace
	Settings *event.Settings // in force at the end; nil: none are known
	// Readings are the readings of the table with their origin, for the CSV.
	Readings []StudyReading
	Left     []analysis.Phrase // what was left out, and why
	// Plan is what was asked for and how far it has come; nil: not known.
	Plan *StudyPlan
}

// StudyPlan is the plan of a study at a station, and what was gauged so far.
type StudyPlan struct {
	event.Study
	Now   *state.StudyNow // nil if the study has ended
	Known []string        // the parts gauged so far
	// Taken has the sizes by part and appraiser. That of trial k + 1 is at index k; nil if it is
	// missing.
	Taken map[[2]string][]*analysis.Length
	Short analysis.Phrase // why the study can't be evaluated yet, zero if it can
}

// StudyReading is a reading of a gauge study.
type StudyReading struct {
	Part, Operator string
	Trial          int
	Size           analysis.Length
	// Set for a study from the journal.
	Seq     uint64
	At      time.Time
	Station string
}

// studied is the page of a gauge study while it is written.
type studied struct {
	GaugeStudy
	writer
}

// GaugeStudyReport puts together the page of a gauge study for a reader.
func GaugeStudyReport(g GaugeStudy, f notation.Format) *document.Document {
	r := &studied{g, newWriter(&analysis.Job{Unit: g.Unit}, f)}
	r.doc.Title, r.doc.Lead, r.doc.At = r.Text("record.title.study"), clean(g.Title), g.At
	if j := g.Job; j != nil {
		r.doc.Lead = r.Text("record.study.gauge_on", clean(g.Gauge), strings.Join(filled(clean(j.ID), clean(j.Title)), " "))
	}
	r.letterhead(g.Settings)
	trials := 0
	if len(g.Results) > 0 {
		trials = g.Results[0].Trials
	}
	r.progress()
	size := func(parts, operators, trials int) analysis.Phrase {
		return analysis.Say("record.study.size", parts, operators, trials)
	}
	if p := g.Plan; p != nil && !p.Short.IsZero() {
		r.doc.Subject = r.Text("record.study.planned", size(p.Parts, len(p.Appraisers), p.Trials))
		word := r.Text("record.study.too_few")
		if p.Now != nil {
			word = r.Text("record.study.under_way")
		}
		r.doc.Outcome = outcome(document.Open, word, r.Say(p.Short))
	} else {
		r.doc.Subject = r.Say(size(len(g.Table.Parts), len(g.Table.Operators), trials))
	}
	if len(g.Results) > 0 {
		r.doc.Outcome = r.outcome(&g.Results[0])
		if g.Plan != nil && g.Plan.Now != nil && g.Plan.Now.Taken < g.Plan.Now.Wanted {
			r.doc.Outcome = outcome(document.Open, r.Text("record.study.under_way"), r.Text("record.study.so_far", r.doc.Outcome.Why))
		}
		r.doc.Add(r.facts(trials), r.shares(&g.Results[0]), r.lines(g.Results[0].Follows()), r.drawn())
	}
	for i := range g.Results {
		r.method(&g.Results[i])
	}
	if g.Plan != nil {
		r.section(r.Text("record.readings_head"), r.taken())
	} else {
		r.section(r.Text("record.readings_head"), r.evaluated(trials))
	}
	if g.Left != nil {
		r.section(r.Text("record.study.left"), r.lines(g.Left))
	}
	if signed := []string{r.Text("record.sign.studied"), r.Text("record.sign.date")}; g.Trace.Head.Journal != "" {
		issue := 1
		if g.Plan != nil && g.Plan.Now != nil {
			issue = 0
		}
		r.identify(number(studyNumber, g.Trace.Head.Journal, g.Trace.First), issue, g.Trace)
		r.end(g.Trace, nil, signed...)
	} else {
		r.doc.Add(document.Signature(signed))
	}
	return r.doc
}

// method writes the results of one method.
func (r *studied) method(g *study.GaugeStudy) {
	r.section(r.Text("record.study.by", analysis.Say("study.method."+g.Method)), r.sources(g))
	if len(g.Rows) > 0 {
		r.doc.Add(r.anova(g))
	}
	if g.RangeLimit.OK {
		r.doc.Add(r.ranges(g))
	}
}

// progress says how far a study in progress has come, and who is to gauge what.
func (r *studied) progress() {
	if r.Plan == nil || r.Plan.Now == nil {
		return
	}
	now := r.Plan.Now
	turn := func(name, who, part string, trial int) document.Group {
		return group(name, field(r.Text("record.appraiser"), clean(who)), field(r.Text("record.part"), clean(part)), field(r.Text("record.trial"), r.Text("record.n_of_m", trial, now.Trials)))
	}
	out := document.Fields{group(r.Text("record.study.now"), field(r.Text("record.study.gauged"), r.Text("record.n_of_m", now.Taken, now.Wanted)), field(r.Text("record.study.place"), r.Place(now.Place)))}
	if now.Taking {
		out = append(out, turn(r.Text("record.study.to_gauge"), now.Appraiser, now.Part, now.Trial))
	}
	if n := now.Next; n != nil {
		out = append(out, turn(r.Text("record.study.next"), n.Appraiser, n.Part, n.Trial))
	} else if !now.Taking {
		out = append(out, group(r.Text("record.study.next"), field(r.Text("record.study.all_gauged"), r.Text("record.study.end"))))
	}
	r.doc.Add(out)
}

// taken tables everything that was gauged, one part a row, with a dash for what is missing.
func (r *studied) taken() document.Block {
	if len(r.Plan.Known) == 0 {
		return document.Para(r.Text("record.study.no_reading"))
	}
	return r.readings(r.Plan.Known, r.Plan.Appraisers, r.Plan.Trials, func(i, k, trial int) string {
		of := r.Plan.Taken[[2]string{r.Plan.Known[i], r.Plan.Appraisers[k]}]
		if trial >= len(of) || of[trial] == nil {
			return none
		}
		return r.fine((*of[trial] - r.Base).Micrometres(), 2)
	})
}

// evaluated tables the readings that were evaluated.
func (r *studied) evaluated(trials int) document.Block {
	return r.readings(r.Table.Parts, r.Table.Operators, trials, func(i, k, trial int) string { return r.fine(r.Table.Values[i][k][trial], 2) })
}

// readings tables readings, one part a row, in the given order.
func (r *studied) readings(parts, people []string, trials int, cell func(part, who, trial int) string) *document.Table {
	t := &document.Table{Columns: words(r.Text("record.part")), Notes: []string{r.Text("record.note.sentence", r.counted())}}
	for _, who := range people {
		for k := range trials {
			t.Columns = append(t.Columns, numbers(clean(who)+" "+strconv.Itoa(k+1))...)
		}
	}
	for i, p := range parts {
		row := []string{clean(p)}
		for k := range people {
			for trial := range trials {
				row = append(row, cell(i, k, trial))
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

// step returns the unit of the study in µm.
func (r *studied) step() float64 {
	if r.Inch {
		return analysis.MicroInch.Micrometres()
	}
	return 1
}

// fine formats a value in µm in the unit of the study, without the unit.
func (r *studied) fine(v float64, decimals int) string {
	if r.Inch { // millionths are as fine with two decimals less
		decimals = max(0, decimals-2)
	}
	return r.Decimal(v/r.step(), decimals)
}

// with formats like fine, with the unit.
func (r *studied) with(v float64, decimals int) string {
	return r.fine(v, decimals) + " " + r.MicroUnit()
}

// spread formats a standard deviation with its unit, or a dash.
func (r *studied) spread(s study.Stat) string {
	if !s.OK {
		return none
	}
	return r.with(s.Value, 3)
}

func (r *studied) facts(trials int) document.Fields {
	of := []document.Field{}
	if r.Gauge != "" {
		of = append(of, field(r.Text("record.gauge"), clean(r.Gauge)))
	}
	if j := r.Job; j != nil {
		of = append(of, field(r.Text("record.job"), strings.Join(filled(clean(j.ID), clean(j.Title)), ", ")), field(r.Text("record.low_limit"), r.both(j.Low)), field(r.Text("record.high_limit"), r.both(j.High)))
	}
	g := &r.Results[0]
	tolerance := r.Text("record.study.no_tolerance")
	if g.Tolerance > 0 {
		tolerance = r.with(g.Tolerance, 2)
	}
	of = append(of, field(r.Text("record.study.tolerance"), tolerance))
	made := []document.Field{field(r.Text("record.parts_head"), strconv.Itoa(len(r.Table.Parts))), field(r.Text("record.study.people"), clean(strings.Join(r.Table.Operators, ", "))), field(r.Text("record.study.each"), r.Text("record.study.times", trials))}
	if r.Stations != nil {
		made = append(made, field(r.Text("record.at"), clean(strings.Join(r.Stations, ", "))))
	}
	if !r.From.IsZero() {
		made = append(made, field(r.Text("record.study.taken"), r.span(r.From, r.At)))
	}
	return document.Fields{group(r.Text("record.study.what"), of...), group(r.Text("record.study.how"), made...), group(r.Text("record.study.found"), r.found(g)...)}
}

// found returns the figures that people look for first.
func (r *studied) found(g *study.GaugeStudy) []document.Field {
	repeat := r.spread(g.Repeatability.SD)
	if g.RepeatLow.OK && g.RepeatHigh.OK {
		repeat = r.Text("record.study.sure", r.spread(g.Repeatability.SD), r.spread(g.RepeatLow), r.spread(g.RepeatHigh))
	}
	out := []document.Field{field(r.Text("record.study.repeatability"), repeat), field(r.Text("record.study.between"), r.spread(g.Operator.SD))}
	if g.Gauge.SD.OK {
		out = append(out, field(r.Text("record.study.together"), r.with(6*g.Gauge.SD.Value, 2)))
	}
	if g.Gauge.OfTolerance.OK {
		out = append(out, field(r.Text("record.study.grr_tolerance"), r.stat(g.Gauge.OfTolerance, 1)+" %"))
	}
	spread := none
	if g.Gauge.OfTotal.OK {
		spread = r.stat(g.Gauge.OfTotal, 1) + " %"
	}
	out = append(out, field(r.Text("record.study.grr_spread"), spread))
	if g.Distinct.OK {
		out = append(out, field(r.Text("record.study.classes"), strconv.Itoa(int(g.Distinct.Value))))
	}
	return out
}

// outcome returns the usual judgement of the gauge: below 10 % good, up to 30 % by agreement, above
// that not good enough (common practice).
func (r *studied) outcome(g *study.GaugeStudy) *document.Outcome {
	j := g.Judged()
	why := r.Text("record.study.takes_of_spread", analysis.Number{Value: j.Value, Places: 1})
	if g.Tolerance > 0 {
		why = r.Text("record.study.takes_of_tolerance", analysis.Number{Value: j.Value, Places: 1}, analysis.Deviation(math.Round(g.Tolerance*float64(analysis.Micrometre))))
	}
	switch {
	case !j.OK:
		return outcome(document.Open, r.Text("record.study.cannot_judge"), r.Say(j.Why))
	case j.Value < study.GoodShare && g.Few():
		return outcome(document.Open, r.Text("record.study.good_so_far"), why+" "+r.Text("record.study.not_to_rely_on"))
	case j.Value < study.GoodShare:
		return outcome(document.Good, r.Text("record.study.good"), why)
	case j.Value <= study.WorstShare:
		return outcome(document.Open, r.Text("record.study.by_agreement"), why)
	}
	return outcome(document.Bad, r.Text("record.study.not_good"), why+" "+r.Text("record.study.make_up"))
}

// shares draws the share of each source in what the gauge is judged against.
func (r *studied) shares(g *study.GaugeStudy) document.Figure {
	title, of := r.Text("record.study.shares_tolerance"), func(s study.Source) study.Stat { return s.OfTolerance }
	if g.Tolerance <= 0 {
		title, of = r.Text("record.study.shares_total"), func(s study.Source) study.Stat { return s.OfTotal }
	}
	c := picture.Shares{Title: title, Good: study.GoodShare, Worst: study.WorstShare, W: 1000, H: 250, Format: r.plain}
	for _, s := range g.Sources() {
		if x := of(s.Source); x.OK && s.Code != "total" {
			c.Bars = append(c.Bars, picture.Share{Name: r.Text("study.of." + s.Code), Value: x.Value, Whole: s.Code == "gauge"})
		}
	}
	return figure(c, c.W, c.H, r.Text("record.study.shares"))
}

// drawn draws the readings.
func (r *studied) drawn() document.Figure {
	limit := 0.0
	for i := range r.Results {
		if l := r.Results[i].RangeLimit; l.OK {
			limit = l.Value
		}
	}
	in := r.step()
	c := picture.Study{Parts: cleaned(r.Table.Parts), Operators: cleaned(r.Table.Operators), Limit: limit / in, Title: r.counted(), W: 1000, H: 330, Format: r.plain}
	for _, by := range r.Table.Values {
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
	said := r.Text("record.study.drawn")
	if limit > 0 {
		said += " " + r.Text("record.study.framed")
	}
	return figure(c, c.W, c.H, said)
}

// counted says what the values of the table are.
func (r *studied) counted() string {
	if r.Base == 0 {
		return r.MicroUnit()
	}
	return r.Text("record.study.above", r.MicroUnit(), r.Digits(r.Base)+" "+r.Large().String())
}

func (r *studied) sources(g *study.GaugeStudy) *document.Table {
	t := &document.Table{Columns: slices.Concat(words(r.Text("record.study.source")), numbers(r.Text("record.study.sd", r.MicroUnit()), r.Text("record.study.of_variance"), r.Text("record.study.of_total"), r.Text("record.study.of_tolerance")))}
	for _, s := range g.Sources() {
		if s.SD.OK {
			t.Rows = append(t.Rows, []string{r.Text("study.of." + s.Code), r.fine(s.SD.Value, 3), r.stat(s.Contribution, 1), r.stat(s.OfTotal, 1), r.stat(s.OfTolerance, 1)})
		}
	}
	return t
}

// stat formats a value, or a dash if it can't be used.
func (r *studied) stat(s study.Stat, places int) string {
	if !s.OK {
		return none
	}
	return r.Decimal(s.Value, places)
}

// anova tables the sums of squares, in µm² whatever the unit of the drawing.
func (r *studied) anova(g *study.GaugeStudy) *document.Table {
	t := &document.Table{Caption: r.Text("record.anova"), Columns: slices.Concat(words(r.Text("record.study.source")), numbers(r.Text("record.anova.df"), r.Text("record.anova.ss"), r.Text("record.anova.ms"), "F", r.Text("record.anova.chance")))}
	for _, x := range g.Rows {
		chance := r.stat(x.P, 3)
		if x.P.OK && x.P.Value < 0.0005 { // a small value is not shown as zero
			chance = "< " + r.Decimal(0.001, 3)
		}
		t.Rows = append(t.Rows, []string{r.Text("study.source." + x.Source), strconv.Itoa(x.DF), r.Significant(x.SS, 4), r.Significant(x.MS, 4), r.stat(x.F, 2), chance})
	}
	if g.Pooled {
		t.Notes = []string{r.Text("record.anova.pooled")}
	}
	return t
}

// ranges says which ranges are above their limit.
func (r *studied) ranges(g *study.GaugeStudy) document.Lines {
	out := document.Lines{r.Text("record.study.may_differ", r.spread(g.RangeLimit))}
	for i, by := range r.Table.Values {
		for k, cell := range by {
			if w := slices.Max(cell) - slices.Min(cell); w > g.RangeLimit.Value {
				out = append(out, r.Text("record.study.differ", clean(r.Table.Parts[i]), clean(r.Table.Operators[k]), r.with(w, 3)))
			}
		}
	}
	return out
}

// Rows has the readings, one a row, in the columns that a gauge study from CSV needs.
func (g GaugeStudy) Rows() Table {
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
		rows = append(rows, []string{g.Trace.Head.Journal, seq, at, r.Station, g.Gauge, job, r.Part, r.Operator, strconv.Itoa(r.Trial), mm(r.Size)})
	}
	return newTable("readings", head, rows, g.Trace.Head, g.Trace.Simulated)
}
