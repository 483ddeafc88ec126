package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
)

// Part is the record of one part: the events of its station from its beginning up to the next part,
// and the state that follows from them.
type Part struct {
	Bore    *state.Bore
	Records []event.Record // in order, starting with the event that began the part
	// Before has what was in force when the part was begun, in order: the job, the mastering, and
	// what was checked and measured since.
	Before []event.Record
	// Lot has the newest verdicts of the job at its station when the part was begun, in order.
	Lot []*event.Verdict
	// After has the next check of the ring there, in order. It tells whether the zero still held.
	After []event.Record
	// Limits has the times when the job was chosen, to show how its limits changed.
	Limits []event.Record
	Head   event.Head // of the journal at row [Part.Last]
}

// Last returns the number of the newest row that the record is based on, 0 if there is none.
func (p *Part) Last() (seq uint64) {
	for _, all := range [][]event.Record{p.Before, p.Records, p.After, p.Limits} {
		for i := range all {
			seq = max(seq, all[i].Seq)
		}
	}
	return seq
}

// Fold returns the state after the records, including what became known later.
func (p *Part) Fold() *state.Fold {
	f := &state.Fold{}
	for i := range p.Before {
		f.Apply(&p.Before[i].Event)
	}
	f.Lot = p.Lot
	for _, all := range [][]event.Record{p.Records, p.After} {
		for i := range all {
			f.ApplyRecord(&all[i])
		}
	}
	return f
}

// record is the record of a part while it is written.
type record struct {
	Part
	writer
	job  *analysis.Job
	fold *state.Fold
	from Trace
}

// PartRecord puts together the record of a part for a reader.
func PartRecord(p Part, f notation.Format) *document.Document {
	r := p.record(f)
	r.doc.Title = r.Text("record.title.part")
	r.doc.Outcome = r.outcome()
	r.identify(number(partNumber, r.from.Head.Journal, r.from.First), r.issue(), r.from)
	r.doc.Add(r.facts(), r.who())
	r.pictures()
	r.sizes()
	r.form()
	r.decision()
	r.budget()
	r.zero()
	r.happened()
	r.section(r.Text("record.limits"), r.limits(r.Limits, r.job))
	r.end(r.from, r.traceable(r.looks()), r.Text("record.sign.checked"), r.Text("record.sign.date"))
	return r.doc
}

func (p Part) record(f notation.Format) *record {
	r := &record{Part: p, fold: p.Fold(), job: p.Bore.Job, from: Trace{Head: p.Head, Simulated: p.Bore.Simulated}}
	if r.job == nil { // a part without a job has no readings
		r.job = &analysis.Job{Unit: analysis.MM}
	}
	r.writer = newWriter(r.job, f)
	r.letterhead(r.fold.Settings)
	r.doc.Lead = clean(r.job.Title)
	r.doc.Subject = r.Text("record.of.job", clean(r.job.ID))
	if p.Bore.Part != nil {
		r.doc.Subject = r.Text("record.of.part", clean(r.job.ID), clean(p.Bore.Part.Serial))
	}
	if n := len(p.Records); n > 0 {
		r.from.First = p.Records[0].Seq
	}
	for _, all := range [][]event.Record{p.Records, p.After} {
		for i := range all {
			if at := all[i].At; at.After(r.doc.At) {
				r.doc.At = at
			}
		}
	}
	return r
}

// doubted returns the failed check that puts the part in doubt, nil if there is none.
func (r *record) doubted() *event.ZeroCheck {
	if !r.fold.Doubted {
		return nil
	}
	for _, all := range [][]event.Record{r.After, r.Records} {
		for i := len(all) - 1; i >= 0; i-- {
			if c := all[i].ZeroCheck(); c != nil && c.Valid && !c.Good {
				return c
			}
		}
	}
	return nil
}

// outcomeOf returns the code of a result's outcome, that of an open part for nil.
func outcomeOf(v *event.Verdict) string {
	if v == nil {
		return "unfinished"
	}
	return string(v.Outcome)
}

// came returns the part's outcome as text, with its mark.
func (r *record) came() (string, document.Mark) {
	v := r.Bore.Verdict
	text := r.Text("outcome." + outcomeOf(v))
	switch {
	case v == nil:
		return text, document.Open
	case r.doubted() != nil:
		return r.Text("outcome.in_doubt", text), document.Open
	case v.Accepted():
		return text, document.Good
	case v.Outcome == event.ToRework || v.Outcome == event.OnHold:
		return text, document.Open
	}
	return text, document.Bad
}

func (r *record) outcome() *document.Outcome {
	text, mark := r.came()
	word := strings.ToUpper(text)
	switch v, c := r.Bore.Verdict, r.doubted(); {
	case v == nil:
		return outcome(mark, word, r.because(r.Text("state."+string(r.Bore.State)), r.Bore.Why))
	case c != nil:
		return outcome(mark, word, r.say(c.Sentence))
	case v.Outcome == event.Conceded:
		return outcome(mark, word, r.because(r.granted(v), v.Reason))
	default:
		return outcome(mark, word, strings.Join(filled(r.say(v.Reason), r.assumed(v)), " "))
	}
}

// assumed says what an acceptance rests on that nobody stated or measured, "" if it rests on nothing
// such.
func (r *record) assumed(v *event.Verdict) string {
	what := event.Assuming(v.Assumes)
	if what.IsZero() || !v.Accepted() {
		return ""
	}
	return r.Text("record.assuming", what)
}

// granted says which concession a result is by, "" for none.
func (w *writer) granted(v *event.Verdict) string {
	if v.Outcome != event.Conceded {
		return ""
	}
	return w.Text("record.concession", clean(v.Number), clean(v.GrantedBy))
}

// facts returns what was asked for, what was found, and how it was made.
func (r *record) facts() document.Fields {
	return document.Fields{r.asked(r.job), group(r.Text("record.found"), r.found()...), group(r.Text("record.made"), r.made()...)}
}

// who returns what stands on the papers, and who did what.
func (r *record) who() document.Fields {
	f := document.Fields{r.people(r.fold.Settings, r.measuredBy(), r.Records, r.masters())}
	if papers := r.papers(r.job, r.Bore.Part); papers.Fields != nil {
		f = append(document.Fields{papers}, f...)
	}
	return f
}

func (w *writer) asked(j *analysis.Job) document.Group {
	diameter := func(l analysis.Length) string { return w.Text("record.diameter", analysis.Size(l)) }
	f := []document.Field{
		field(w.balloon(j.Balloons.Size, w.Text("record.low_limit")), diameter(j.Low)), field(w.balloon(j.Balloons.Size, w.Text("record.high_limit")), diameter(j.High)), field(w.Text("record.target"), diameter(j.Target)),
	}
	for _, x := range []struct {
		name string
		max  analysis.Deviation
	}{
		{w.balloon(j.Balloons.Variation, w.Text("record.form.variation")), j.Variation}, {w.balloon(j.Balloons.Taper, w.Text("record.form.taper")), j.Taper},
		{w.balloon(j.Balloons.Ovality, w.Text("record.form.ovality")), j.Ovality},
	} {
		if x.max > 0 {
			f = append(f, field(x.name, w.Text("record.at_most", x.max)))
		}
	}
	kind := w.Text("record.through")
	if j.Blind {
		kind = w.Text("record.blind")
	}
	return group(w.Text("record.asked"), append(f,
		field(w.Text("record.drawing"), strings.Join(filled(w.revision(j), w.Text("record.drawn_in", w.spelt())), ", ")),
		field(w.Text("record.bore"), strings.Join(filled(w.Text("record.long", j.Length), kind, w.material(j.Material)), ", ")))...)
}

// filled returns the fields without empty ones.
func filled(all ...string) []string {
	return slices.DeleteFunc(all, func(s string) bool { return s == "" })
}

func (r *record) found() (f []document.Field) {
	b, v := r.Bore, r.Bore.Verdict
	smallest, largest, at := r.Text("record.smallest"), r.Text("record.largest"), r.Text("record.at")
	if z := b.Sizes; z != nil {
		f = append(f,
			field(smallest, r.both(z.Smallest.Size)), field(at, r.Place(z.Smallest.Place)), field(largest, r.both(z.Largest.Size)), field(at, r.Place(z.Largest.Place)),
			field(r.Text("record.variation"), r.small(z.Variation)))
	} else if v != nil && v.Readings > 0 {
		f = append(f, field(smallest, r.both(v.Smallest)), field(largest, r.both(v.Largest)))
	}
	if u, k := r.stated(); k > 0 {
		f = append(f, field(r.Text("record.u_size"), r.Text("record.u_with_k", u, analysis.Number{Value: k, Places: 2})))
	} else if u > 0 {
		f = append(f, field(r.Text("record.u_size"), r.small(u)))
	}
	if j := b.Judged; j != nil {
		f = append(f, field(r.Text("record.by_rule"), r.decided(string(j.Decision))))
	}
	if v != nil {
		f = append(f, field(r.Text("record.verdict"), r.Text("record.verdict_by", r.Text("outcome."+outcomeOf(v)), orDash(r.by()))), field(r.Text("record.given"), r.moment(r.judgedAt())))
		if v.Outcome == event.Conceded {
			f = append(f, field(r.Text("outcome.concession"), r.granted(v)))
		}
	}
	if f == nil {
		f = []document.Field{field(r.Text("record.sizes"), r.Text("record.none"))}
	}
	return f
}

// stated returns the expanded uncertainty of the recorded verdict, or else that of the budget, with
// its coverage factor; 0 if that is not known.
func (r *record) stated() (u analysis.Deviation, k float64) {
	if b := r.Bore.U; b != nil {
		u, k = b.Expanded, b.K
	}
	if v := r.Bore.Verdict; v != nil && v.U > 0 && v.U != u {
		return v.U, 0
	}
	return u, k
}

// by returns who caused the result that stands, and judgedAt when it was given.
func (r *record) by() string {
	if e := r.judgement(); e != nil {
		return r.did(e)
	}
	return ""
}

func (r *record) judgedAt() (t time.Time) {
	if e := r.judgement(); e != nil {
		t = e.At
	}
	return t
}

// judgement returns the record of the result that stands, nil if there is none.
func (r *record) judgement() *event.Record {
	for i := len(r.Records) - 1; i >= 0; i-- {
		if r.Records[i].Verdict != nil {
			return &r.Records[i]
		}
	}
	return nil
}

func (r *record) made() []document.Field {
	strokes, seconds, taken, refused := 0, 0.0, 0, 0
	gauges, rings := set{}, set{}
	for i := range r.Records {
		switch e := &r.Records[i]; {
		case e.Round != nil:
			strokes += e.Round.Strokes
			seconds += e.Round.Seconds
		case e.Kind == event.Refused:
			refused++
		case e.Reading != nil:
			taken++
			gauges.add(clean(e.Reading.Gauge))
		}
	}
	for _, m := range r.masters() {
		rings.add(clean(m.Master.Ring.ID))
	}
	f := []document.Field{field(r.Text("record.station"), clean(r.Bore.Station)), field(r.Text("record.gauge"), orDash(gauges.String())), field(r.Text("record.master_ring"), orDash(rings.String()))}
	if len(r.Records) > 0 {
		f = append(f, field(r.Text("record.begun"), r.moment(r.Records[0].At)))
	}
	honed := []string{r.Text("record.rounds", r.fold.Round())}
	if strokes > 0 {
		honed = append(honed, r.Text("record.strokes", strokes))
	}
	switch n := int(seconds + 0.5); {
	case n >= 120:
		honed = append(honed, r.Text("record.minutes", n/60, n%60))
	case n > 0:
		honed = append(honed, r.Text("record.seconds", n))
	}
	read := []string{r.Text("record.taken", taken)}
	for _, x := range []struct {
		n    int
		text string
	}{
		{len(r.fold.Voids), r.Text("record.struck_out", len(r.fold.Voids))}, {len(r.fold.Doubtful), r.Text("record.in_doubt", len(r.fold.Doubtful))},
		{len(r.fold.TakenWarm), r.Text("record.too_warm", len(r.fold.TakenWarm))}, {len(r.fold.Asked), r.Text("record.not_confirmed", len(r.fold.Asked))}, {refused, r.Text("record.refused", refused)},
	} {
		if x.n > 0 {
			read = append(read, x.text)
		}
	}
	return append(f, field(r.Text("record.honed"), strings.Join(honed, ", ")), field(r.Text("record.readings"), strings.Join(read, ", ")), field(r.Text("record.entered_by"), r.sources()))
}

// sources says who or what caused how many events.
func (r *record) sources() string {
	n := map[string]int{}
	for i := range r.Records {
		if s := r.source(r.Records[i].Source); s != "" {
			n[s]++
		}
	}
	names := make([]string, 0, len(n))
	for s := range n {
		names = append(names, s)
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Or(cmp.Compare(n[b], n[a]), cmp.Compare(a, b)) })
	for i, s := range names {
		names[i] = fmt.Sprintf("%s %d", s, n[s])
	}
	return orDash(strings.Join(names, ", "))
}

// set is a list without repetitions, in order of arrival.
type set []string

func (s *set) add(v string) {
	if v != "" && !slices.Contains(*s, v) {
		*s = append(*s, v)
	}
}

func (s set) String() string { return strings.Join(s, ", ") }

// pictures draws the final state of the bore and the approach to it.
func (r *record) pictures() {
	b := r.Bore
	if b.Job == nil || b.Sizes == nil {
		return
	}
	c := picture.Cut{Bore: b, W: 1000, H: 300, Format: r.plain}
	r.doc.Add(figure(c, c.W, c.H, r.Text("record.cut")))
	if len(b.Rounds) > 1 {
		a := picture.Approach{Bore: b, W: 1000, H: 170, Format: r.plain}
		r.doc.Add(figure(a, a.W, a.H, r.Text("record.approach")))
	}
}
