package report

import (
	"cmp"
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

// Lot is the parts that were made of a job.
type Lot struct {
	Job    *analysis.Job  // as last chosen
	Parts  []Part         // in the order in which they were begun
	Limits []event.Record // when the job was chosen
	Trace  Trace
	// From and To bound when the parts were begun; a zero time sets no bound.
	From, To time.Time
}

// confidence is the level of every interval in a report.
const confidence = 0.95

// lotRecord is the report of a lot while it is written.
type lotRecord struct {
	Lot
	writer
	parts []*record
}

// LotReport puts together the page of a lot for a reader: each part with its outcome, a control
// chart of each section, and capability with its limitations.
func LotReport(b Lot, f notation.Format) *document.Document {
	r := &lotRecord{Lot: b, writer: newWriter(b.Job, f)}
	r.doc.Title, r.doc.Lead, r.doc.Subject = r.Text("record.title.lot"), clean(b.Job.Title), r.Text("record.of.job", clean(b.Job.ID))
	for i := range b.Parts {
		p := b.Parts[i].record(f)
		if p.doc.At.After(r.doc.At) {
			r.doc.At = p.doc.At
		}
		r.parts = append(r.parts, p)
	}
	if n := len(r.parts); n > 0 {
		r.doc.Letterhead = r.parts[n-1].doc.Letterhead
	}
	r.identify(r.number())
	r.doc.Add(document.Fields{r.asked(b.Job), r.outcomes(), r.made()}, r.who())
	r.section(r.Text("record.parts"), r.table())
	r.charts()
	r.capability()
	r.zero()
	r.section(r.Text("record.limits"), r.limits(b.Limits, b.Job))
	r.end(b.Trace, r.traceable(r.looks()), r.Text("record.sign.released"), r.Text("record.sign.date"))
	return r.doc
}

// number returns the report number of the lot, of its first and its last part and how many there are,
// with its issue: those of its parts together, 0 while one has no result.
func (r *lotRecord) number() (no string, issue int, t Trace) {
	first, last := uint64(0), uint64(0)
	for i, p := range r.parts {
		if i == 0 {
			first = p.from.First
		}
		last = p.from.First
		if n := p.issue(); n == 0 || i > 0 && issue == 0 {
			issue = 0
		} else {
			issue += n
		}
	}
	return number(lotNumber, r.Trace.Head.Journal, first, last, uint64(len(r.parts))), issue, r.Trace
}

// who returns what stands on the papers of the job, and who did what with its parts.
func (r *lotRecord) who() document.Fields {
	var records []event.Record
	var settings *event.Settings
	var measured set
	for _, p := range r.parts {
		records = append(records, p.Records...)
		settings = p.fold.Settings
		for _, who := range p.measurers() {
			measured.add(p.person(who))
		}
	}
	masters := slices.DeleteFunc(r.looks(), func(e event.Record) bool { return e.Kind != event.Mastered })
	f := document.Fields{r.people(settings, orDash(measured.String()), records, masters)}
	if papers := r.papers(r.Job, nil); papers.Fields != nil {
		f = append(document.Fields{papers}, f...)
	}
	return f
}

func (r *lotRecord) outcomes() document.Group {
	count, doubt := map[string]int{}, 0
	var lo, hi analysis.Length
	for _, p := range r.parts {
		count[outcomeOf(p.Bore.Verdict)]++
		if p.doubted() != nil {
			doubt++
		}
	}
	for _, p := range r.finished() {
		z := p.Bore.Sizes
		if !p.Bore.Verdict.Accepted() {
			continue
		}
		if lo == 0 || z.Smallest.Size < lo {
			lo = z.Smallest.Size
		}
		hi = max(hi, z.Largest.Size)
	}
	f := []document.Field{field(r.Text("record.parts.begun"), strconv.Itoa(len(r.parts)))}
	for _, o := range append([]event.Outcome{"unfinished"}, event.Outcomes()...) {
		if n := count[string(o)]; n > 0 || o == event.IsAccepted || o == "unfinished" {
			f = append(f, field(r.Text("outcome."+string(o)), strconv.Itoa(n)))
		}
	}
	if lo > 0 {
		f = append(f, field(r.Text("record.sizes_from"), r.both(lo)), field(r.Text("record.sizes_to"), r.both(hi)))
	}
	if doubt > 0 {
		f = append(f, field(r.Text("record.parts.doubt"), r.Text("record.parts.after_check", doubt)))
	}
	return group(r.Text("record.outcomes"), f...)
}

func (r *lotRecord) made() document.Group {
	stations, gauges, rings, rules := set{}, set{}, set{}, set{}
	for _, p := range r.parts {
		stations.add(clean(p.Bore.Station))
		for i := range p.fold.Readings {
			gauges.add(clean(p.fold.Readings[i].Gauge))
		}
		for _, m := range p.masters() {
			rings.add(clean(m.Master.Ring.ID))
		}
		if v := p.Bore.Verdict; v != nil && v.Rule != "" { // nothing was judged of a part that has no size
			rules.add(r.Say(verdict.Rule(v.Rule).Phrase()))
		}
	}
	f := []document.Field{field(r.Text("record.stations"), orDash(stations.String())), field(r.Text("record.gauges_used"), orDash(gauges.String())), field(r.Text("record.master_rings"), orDash(rings.String()))}
	if n := len(r.parts); n > 0 {
		f = append(f, field(r.Text("record.first_begun"), r.moment(r.parts[0].Records[0].At)), field(r.Text("record.last_record"), r.moment(r.doc.At)))
	}
	if !r.From.IsZero() || !r.To.IsZero() {
		f = append(f, field(r.Text("record.period_asked"), r.span(r.From, r.To)))
	}
	return group(r.Text("record.made"), append(f, field(r.Text("record.rule"), orDash(strings.Join(rules, "; "))))...)
}

// finished returns the parts that ended with valid sizes.
func (r *lotRecord) finished() []*record {
	return slices.DeleteFunc(slices.Clone(r.parts), func(p *record) bool {
		return p.Bore.Verdict == nil || p.Bore.Sizes == nil || p.Bore.Basis != p.Bore.Verdict.Round
	})
}

func (r *lotRecord) table() *document.Table {
	large, micro := r.Large().String(), r.MicroUnit()
	t := &document.Table{Columns: slices.Concat(
		numbers(r.Text("record.no")), words(r.Text("record.part"), r.Text("record.station"), r.Text("record.finished")),
		numbers(r.Text("record.rounds_head"), r.Text("record.strokes_head"), r.Text("record.smallest_in", large), r.Text("record.largest_in", large), r.Text("record.variation_in", micro), r.Text("record.u", micro)),
		wrapped(r.Text("record.outcome")))}
	at := dates{writer: &r.writer}
	for i, p := range r.parts {
		when, lo, hi, v, unc := none, none, none, none, none
		if done := p.judgedAt(); !done.IsZero() {
			when = at.write(done)
		}
		if z := p.Bore.Sizes; z != nil {
			lo, hi, v = r.Digits(z.Smallest.Size), r.Digits(z.Largest.Size), r.Micro(z.Variation)
		}
		if u, _ := p.stated(); u > 0 {
			unc = r.Micro(u)
		}
		t.Rows = append(t.Rows, []string{
			strconv.Itoa(i + 1), p.serial(), clean(p.Bore.Station), when, strconv.Itoa(p.fold.Round()), strconv.Itoa(p.strokes()), lo, hi, v, unc, p.summary(),
		})
	}
	return t
}

func (r *record) strokes() (n int) {
	for _, x := range r.fold.Rounds {
		n += x.Strokes
	}
	return n
}

func (r *record) serial() string {
	if p := r.Bore.Part; p != nil {
		return clean(p.Serial)
	}
	return none
}

// summary returns the outcome in a few words, with the reason if the part was not accepted.
func (r *record) summary() string {
	text, mark := r.came()
	var why analysis.Phrase
	if v := r.Bore.Verdict; v != nil && !v.Accepted() {
		text, why = strings.Join(filled(text, r.granted(v)), ", "), v.Reason
	}
	return mark.Glyph() + " " + r.because(text, why)
}

// run is the mean of a section over the finished parts.
type run struct {
	depth  analysis.Length
	values []float64 // µm from the target
	has    []bool
}

// runs returns a run for each section, by depth.
func (r *lotRecord) runs(parts []*record) []run {
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

// charts draws the mean of each section over the parts, with control limits if there are enough
// parts, and says what the charts show.
func (r *lotRecord) charts() {
	parts := r.finished()
	if len(parts) < 2 {
		return
	}
	labels := make([]string, len(parts))
	for i, p := range parts {
		labels[i] = p.serial()
	}
	c := runChart{W: 1000, Labels: labels, Format: r.plain}
	t := &document.Table{Columns: slices.Concat(words(r.Text("record.section")), numbers(r.Text("record.parts_head"), r.Text("record.mean"), r.Text("record.low_control"), r.Text("record.high_control"), r.Text("record.within_sd")), wrapped(r.Text("record.signals")))}
	for _, x := range r.runs(parts) {
		p := panel{Title: r.Text("record.chart.section", x.depth), Values: x.values, Has: x.has, Lines: []level{
			{(r.Job.Low - r.Job.Target).Micrometres(), picture.Limit, r.Text("record.low_limit")}, {(r.Job.High - r.Job.Target).Micrometres(), picture.Limit, r.Text("record.high_limit")},
			{0, picture.Target, r.Text("record.target")},
		}}
		t.Rows = append(t.Rows, r.control(&p, r.Depth(x.depth), labels))
		c.Panels = append(c.Panels, p)
	}
	c.H = chartFoot + 105*float64(len(c.Panels))
	t.Notes = []string{r.Text("record.note.control"), r.Text("record.note.honed")}
	r.section(r.Text("record.by_section"), figure(c, c.W, c.H, r.Text("record.chart")), t)
}

// control works out the control chart of a run, marks its signals in the panel and returns its row.
func (r *lotRecord) control(p *panel, name string, parts []string) []string {
	var x []float64
	var index []int
	for i, v := range p.Values {
		if p.Has[i] {
			x, index = append(x, v), append(index, i)
		}
	}
	ch, err := study.Individuals(x)
	if err != nil {
		return []string{name, strconv.Itoa(len(x)), none, none, none, none, r.Text("record.chart.too_few")}
	}
	p.Alarm = make([]bool, len(p.Values))
	var signals set
	for _, s := range ch.Signals {
		rule := analysis.Say("study.rule." + s.Rule)
		if s.Series != ch.Location.Name { // the first range is that of the first two values
			signals.add(r.Text("record.chart.step", parts[index[min(s.Point, len(index)-1)]], rule))
			continue
		}
		i := index[s.Point-1]
		p.Alarm[i] = true
		signals.add(r.Text("record.chart.signal", parts[i], rule))
	}
	said := strings.Join(signals, "; ")
	if said == "" {
		said = r.Text("record.none")
	}
	return []string{name, strconv.Itoa(len(x)), micro(r.plain, ch.Location.Centre), micro(r.plain, ch.Location.Low), micro(r.plain, ch.Location.High), r.Decimal(ch.Sigma.Value, 2), said}
}

// capability says how the extreme sizes lie within the limits: the smallest size of each part
// against the low limit, the largest against the high one.
func (r *lotRecord) capability() {
	parts := slices.DeleteFunc(r.finished(), func(p *record) bool { return !p.Bore.Verdict.Final() })
	if len(parts) == 0 {
		r.section(r.Text("record.capability"), document.Para(r.Text("record.capability.none")))
		return
	}
	lo, hi := make([]float64, len(parts)), make([]float64, len(parts))
	for i, p := range parts {
		lo[i] = (p.Bore.Sizes.Smallest.Size - r.Job.Target).Micrometres()
		hi[i] = (p.Bore.Sizes.Largest.Size - r.Job.Target).Micrometres()
	}
	low, high := (r.Job.Low - r.Job.Target).Micrometres(), (r.Job.High - r.Job.Target).Micrometres()
	said, notes := document.Lines{r.Text("record.capability.counts", len(parts))}, set{}
	for _, x := range []struct {
		what  string
		sizes []float64
		spec  study.Spec
	}{
		{r.Text("record.capability.smallest"), lo, study.Spec{Low: low, NoHigh: true}},
		{r.Text("record.capability.largest"), hi, study.Spec{High: high, NoLow: true}},
	} {
		c, err := study.Capability(x.sizes, x.spec, confidence)
		if err != nil {
			said = append(said, r.Text("record.because", x.what, r.Error(err)))
			continue
		}
		said = append(said, r.Text("record.because", x.what, r.SayAll(c.Figures()...)))
		for _, n := range c.Notes {
			notes.add(r.Say(n))
		}
	}
	r.section(r.Text("record.capability"), append(said, notes...))
}

// looks returns the readings of rings that the lot is based on, each once, in order.
func (r *lotRecord) looks() (looks []event.Record) {
	seen := map[uint64]bool{}
	for _, p := range r.parts {
		for _, l := range p.looks() {
			if !seen[l.Seq] {
				seen[l.Seq] = true
				looks = append(looks, l)
			}
		}
	}
	slices.SortFunc(looks, func(a, b event.Record) int { return cmp.Compare(a.Seq, b.Seq) })
	return looks
}

// zero tables them.
func (r *lotRecord) zero() {
	looks := r.looks()
	if len(looks) == 0 {
		r.section(r.Text("record.zero.of_gauges"), document.Para(r.Text("record.zero.no_ring")))
		return
	}
	r.section(r.Text("record.zero.of_gauges"), r.looksTable(looks, true), r.ringsTable(looks))
}
