package report

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/study"
	"fairbore/analysis/verdict"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
)

// Batch is what was made of a job.
type Batch struct {
	Job    *analysis.Job  // as last taken up
	Parts  []Part         // in the order in which they were begun
	Limits []event.Record // the times that the job was taken up
	Trace  Trace
	// From and To bound when the parts were begun; zero is without a bound.
	From, To time.Time
}

// confidence is that of every interval in a report.
const confidence = 0.95

// batch is a batch's report being written.
type batch struct {
	Batch
	doc   *document.Document
	parts []*record
}

// BatchReport puts the page of a batch together: each part with its outcome, a
// control chart of each section, and capability with what is to be said against it.
func BatchReport(b Batch) *document.Document {
	r := &batch{Batch: b, doc: &document.Document{Title: "Batch report", Lead: clean(b.Job.Title), Subject: "job " + clean(b.Job.ID)}}
	for i := range b.Parts {
		p := b.Parts[i].record()
		if p.doc.At.After(r.doc.At) {
			r.doc.At = p.doc.At
		}
		r.parts = append(r.parts, p)
	}
	r.doc.Add(document.Fields{{Name: "Asked for", Fields: asked(b.Job)}, {Name: "Outcome", Fields: r.outcome()}, {Name: "Made and gauged", Fields: r.made()}})
	r.doc.Add(document.Heading("Parts"), r.table())
	r.charts()
	r.capability()
	r.zero()
	r.doc.Add(document.Heading("Limits in force"), limitsTable(b.Limits, b.Job))
	r.Trace.stand(r.doc)
	r.doc.Add(document.Signature{"released by", "date"})
	return r.doc
}

func (r *batch) outcome() []document.Field {
	accepted, aside, open, doubt := 0, 0, 0, 0
	for _, p := range r.parts {
		switch v := p.Bore.Verdict; {
		case v == nil:
			open++
		case v.Accepted:
			accepted++
		default:
			aside++
		}
		if p.doubted() != nil {
			doubt++
		}
	}
	f := []document.Field{
		{Name: "parts begun", Value: strconv.Itoa(len(r.parts))}, {Name: "not finished", Value: strconv.Itoa(open)}, {Name: "laid aside", Value: strconv.Itoa(aside)}, {Name: "accepted", Value: strconv.Itoa(accepted)},
	}
	var lo, hi analysis.Length
	for _, p := range r.finished() {
		z := p.Bore.Sizes
		if !p.Bore.Verdict.Accepted {
			continue
		}
		if lo == 0 || z.Smallest.Size < lo {
			lo = z.Smallest.Size
		}
		hi = max(hi, z.Largest.Size)
	}
	if lo > 0 {
		u := r.Job.Unit
		f = append(f, document.Field{Name: "sizes from", Value: both(lo, u)}, document.Field{Name: "sizes to", Value: both(hi, u)})
	}
	if doubt > 0 {
		f = append(f, document.Field{Name: "now in doubt", Value: strconv.Itoa(doubt) + ", after a check that failed"})
	}
	return f
}

func (r *batch) made() []document.Field {
	stations, gauges, rings, rules := set{}, set{}, set{}, set{}
	for _, p := range r.parts {
		stations.add(clean(p.Bore.Station))
		for i := range p.fold.Readings {
			gauges.add(clean(p.fold.Readings[i].Gauge))
		}
		for _, m := range p.masters() {
			rings.add(clean(m.Master.Ring.ID))
		}
		if v := p.Bore.Verdict; v != nil {
			rules.add(english(verdict.Rule(v.Rule).Phrase()))
		}
	}
	f := []document.Field{{Name: "stations", Value: orDash(stations.String())}, {Name: "gauges", Value: orDash(gauges.String())}, {Name: "master rings", Value: orDash(rings.String())}}
	if n := len(r.parts); n > 0 {
		f = append(f, document.Field{Name: "first begun", Value: moment(r.parts[0].Records[0].At)}, document.Field{Name: "last record", Value: moment(r.doc.At)})
	}
	if !r.From.IsZero() || !r.To.IsZero() {
		f = append(f, document.Field{Name: "period asked", Value: span(r.From, r.To)})
	}
	return append(f, document.Field{Name: "decision rule", Value: orDash(strings.Join(rules, "; "))})
}

func span(from, to time.Time) string {
	switch {
	case from.IsZero():
		return "before " + moment(to)
	case to.IsZero():
		return "from " + moment(from)
	}
	return "from " + moment(from) + " to before " + moment(to)
}

// finished returns the parts that ended with sizes that stand.
func (r *batch) finished() []*record {
	return slices.DeleteFunc(slices.Clone(r.parts), func(p *record) bool {
		return p.Bore.Verdict == nil || p.Bore.Sizes == nil || p.Bore.Basis != p.Bore.Verdict.Round
	})
}

func (r *batch) table() *document.Table {
	u := r.Job.Unit
	t := &document.Table{Columns: []document.Column{
		{Head: "no."}, {Head: "part", Left: true}, {Head: "station", Left: true}, {Head: "finished", Left: true}, {Head: "rounds"}, {Head: "strokes"},
		{Head: "smallest, " + large(u).String()}, {Head: "largest, " + large(u).String()}, {Head: "variation, " + fine(u).String()}, {Head: "U, " + fine(u).String()}, {Head: "outcome", Left: true, Wrap: true},
	}}
	date := ""
	for i, p := range r.parts {
		strokes := 0
		for _, x := range p.fold.Rounds {
			strokes += x.Strokes
		}
		when := "–"
		if at := p.at(event.Judged); !at.IsZero() {
			when = clock(at)
			if d := day(at); d != date {
				date, when = d, d+" "+when
			}
		}
		lo, hi, v := "–", "–", "–"
		if z := p.Bore.Sizes; z != nil {
			lo, hi, v = size(z.Smallest.Size, u), size(z.Largest.Size, u), fineOf(z.Variation, u)
		}
		unc := "–"
		if U, _ := p.stated(); U > 0 {
			unc = fineOf(U, u)
		}
		t.Rows = append(t.Rows, []string{
			strconv.Itoa(i + 1), p.serial(), clean(p.Bore.Station), when, strconv.Itoa(p.fold.Round()), strconv.Itoa(strokes), lo, hi, v, unc, p.summary(),
		})
	}
	return t
}

func (r *record) serial() string {
	if p := r.Bore.Part; p != nil {
		return clean(p.Serial)
	}
	return "–"
}

// summary is the outcome in a few words, with the reason of what was laid aside.
func (r *record) summary() string {
	s := strings.ToLower(r.outcome().Word)
	if v := r.Bore.Verdict; v != nil && !v.Accepted {
		s += ": " + clean(english(v.Reason))
	}
	return r.outcome().Mark.Glyph() + " " + s
}

// run is the mean of a section over the finished parts.
type run struct {
	depth  analysis.Length
	values []float64 // µm from the target
	has    []bool
}

// runs returns one run a section, by depth.
func (r *batch) runs(parts []*record) []run {
	out := make([]run, len(r.Job.Sections))
	for i, d := range r.Job.Sections {
		out[i] = run{d, make([]float64, len(parts)), make([]bool, len(parts))}
		for k, p := range parts {
			for _, sum := range p.Bore.Rounds {
				if sum.Number != p.Bore.Basis {
					continue
				}
				for _, s := range sum.Sections {
					if s.Depth == d {
						out[i].values[k], out[i].has[k] = (s.Mean - r.Job.Target).Micrometres(), true
					}
				}
			}
		}
	}
	return out
}

// charts draw each section's mean over the parts, with limits of control where
// there are enough, and say what they show.
func (r *batch) charts() {
	parts := r.finished()
	if len(parts) < 2 {
		return
	}
	r.doc.Add(document.Heading("Section by section, part after part"))
	labels := make([]string, len(parts))
	for i, p := range parts {
		labels[i] = p.serial()
	}
	c := runChart{W: 1000, Labels: labels}
	t := &document.Table{Columns: append([]document.Column{{Head: "section", Left: true}}, numbers("parts", "mean", "low control limit", "high control limit", "within, sd")...)}
	t.Columns = append(t.Columns, document.Column{Head: "signals", Left: true, Wrap: true})
	f := notation.In(r.Job.Unit)
	for _, x := range r.runs(parts) {
		p := panel{Title: "at " + f.Depth(x.depth) + ", µm from target", Values: x.values, Has: x.has, Lines: []level{
			{(r.Job.Low - r.Job.Target).Micrometres(), picture.Limit, "low limit"}, {(r.Job.High - r.Job.Target).Micrometres(), picture.Limit, "high limit"},
			{0, picture.Target, "target"},
		}}
		t.Rows = append(t.Rows, control(&p, f.Depth(x.depth), labels))
		c.Panels = append(c.Panels, p)
	}
	c.H = chartFoot + 105*float64(len(c.Panels))
	t.Notes = []string{
		"µm from the target. Points: mean of the section over its orientations, for the trend; acceptance is by each single size. Control limits are what the sizes themselves spread, not what the drawing allows.",
		"Each bore is honed until it is in size, so neighbours are not left to chance: read signals as hints.",
	}
	r.doc.Add(document.Figure{Drawing: c, W: c.W, H: c.H, Caption: "Mean of each section by part, between the limits of the drawing. A ring marks a signal."}, t)
}

// control works out the control chart of a run, marks its signals in the panel and
// returns its row.
func control(p *panel, name string, parts []string) []string {
	var x []float64
	var index []int
	for i, v := range p.Values {
		if p.Has[i] {
			x, index = append(x, v), append(index, i)
		}
	}
	ch, err := study.Individuals(x)
	if err != nil {
		return []string{name, strconv.Itoa(len(x)), "–", "–", "–", "–", "too few parts for a control chart"}
	}
	p.Alarm = make([]bool, len(p.Values))
	var signals set
	for _, s := range ch.Signals {
		if s.Series != ch.Location.Name { // the first range is that of the first two
			signals.add("step to " + parts[index[min(s.Point, len(index)-1)]] + ": " + s.Rule)
			continue
		}
		i := index[s.Point-1]
		p.Alarm[i] = true
		signals.add(parts[i] + ": " + s.Rule)
	}
	said := strings.Join(signals, "; ")
	if said == "" {
		said = "none"
	}
	return []string{name, strconv.Itoa(len(x)), micro(ch.Location.Centre), micro(ch.Location.Low), micro(ch.Location.High), fmt.Sprintf("%.2f", ch.Sigma.Value), said}
}

// capability says how the extremes lie in the limits: the smallest size of each
// part against the low limit, the largest against the high one.
func (r *batch) capability() {
	parts := r.finished()
	r.doc.Add(document.Heading("Capability"))
	if len(parts) == 0 {
		r.doc.Add(document.Para("No finished part has sizes to go by."))
		return
	}
	lo, hi := make([]float64, len(parts)), make([]float64, len(parts))
	for i, p := range parts {
		lo[i] = (p.Bore.Sizes.Smallest.Size - r.Job.Target).Micrometres()
		hi[i] = (p.Bore.Sizes.Largest.Size - r.Job.Target).Micrometres()
	}
	low, high := (r.Job.Low - r.Job.Target).Micrometres(), (r.Job.High - r.Job.Target).Micrometres()
	said, notes := document.Lines{}, set{}
	for _, x := range []struct {
		what  string
		sizes []float64
		spec  study.Spec
	}{
		{"Smallest size of each part against the low limit", lo, study.Spec{Low: low, NoHigh: true}},
		{"Largest size of each part against the high limit", hi, study.Spec{High: high, NoLow: true}},
	} {
		c, err := study.Capability(x.sizes, x.spec, confidence)
		if err != nil {
			said = append(said, x.what+": "+err.Error()+".")
			continue
		}
		text := c.Text()
		said = append(said, x.what+", µm from the target: "+strings.ReplaceAll(strings.Join(text[:len(text)-len(c.Notes)], " "), " -", " −"))
		for _, n := range c.Notes {
			notes.add(n)
		}
	}
	r.doc.Add(append(said, notes...))
}

// zero tables the looks at rings that the batch rests on, each once.
func (r *batch) zero() {
	seen := map[uint64]bool{}
	var looks []event.Record
	for _, p := range r.parts {
		for _, l := range p.looks() {
			if !seen[l.Seq] {
				seen[l.Seq] = true
				looks = append(looks, l)
			}
		}
	}
	slices.SortFunc(looks, func(a, b event.Record) int { return int(int64(a.Seq) - int64(b.Seq)) })
	r.doc.Add(document.Heading("Zero of the gauges"))
	if len(looks) == 0 {
		r.doc.Add(document.Para("No ring was read."))
		return
	}
	r.doc.Add(looksTable(looks, true), ringsTable(looks, r.Job.Unit))
}
