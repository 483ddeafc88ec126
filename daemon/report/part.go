package report

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
)

// Part is the record of one part: the events of its station from its beginning
// up to the next part, and the state that follows from them.
type Part struct {
	Bore    *state.Bore
	Records []event.Record // in order, the one that began the part first
	// Before is what was in force when it began, in order: the job, the mastering,
	// what was looked at and measured since.
	Before []event.Record
	// Lot are the newest verdicts of the job at its station when it began, in order.
	Lot []*event.Verdict
	// After is the next look at a ring there, in order: it tells whether the zero
	// still held.
	After []event.Record
	// Limits are the times that the job was taken up, to see its limits change.
	Limits []event.Record
	Hash   string // of the journal at row [Part.Last], hexadecimal
	// NoSettings says that gauge and rule were not known when the bore was worked
	// out, so that there is no budget and no judgement beside the recorded one.
	NoSettings bool
}

// Last returns the number of the newest row that the record rests on, 0 if it
// rests on none.
func (p *Part) Last() (seq uint64) {
	for _, all := range [][]event.Record{p.Before, p.Records, p.After, p.Limits} {
		for i := range all {
			seq = max(seq, all[i].Seq)
		}
	}
	return seq
}

// Fold returns the state that the records tell, with what came to light after.
func (p *Part) Fold() *state.Fold {
	f := &state.Fold{}
	for i := range p.Before {
		f.Apply(&p.Before[i].Event)
	}
	f.Lot = p.Lot
	for _, all := range [][]event.Record{p.Records, p.After} {
		for i := range all {
			f.Apply(&all[i].Event)
		}
	}
	return f
}

// Text writes the record for a terminal or a printer: 100 columns, plain text.
func Text(p Part) string { return PartRecord(p).Text() }

// record is a part's record being written.
type record struct {
	Part
	job  *analysis.Job
	unit analysis.Unit
	fold *state.Fold
	doc  *document.Document
	from Trace
}

// PartRecord puts the record of a part together.
func PartRecord(p Part) *document.Document {
	r := p.record()
	r.doc.Title = "Bore record"
	r.doc.Outcome = r.outcome()
	r.doc.Add(r.facts())
	r.pictures()
	r.sizes()
	r.form()
	r.decision()
	r.budget()
	r.zero()
	r.happened()
	r.limits()
	r.from.stand(r.doc)
	r.doc.Add(document.Signature{"checked by", "date"})
	return r.doc
}

func (p Part) record() *record {
	r := &record{Part: p, fold: p.Fold(), job: p.Bore.Job, doc: &document.Document{}}
	if r.job == nil { // a part without a job has no readings either
		r.job = &analysis.Job{Unit: analysis.MM}
	}
	r.unit = r.job.Unit
	r.doc.Lead = clean(r.job.Title)
	r.doc.Subject = "job " + clean(r.job.ID)
	if p.Bore.Part != nil {
		r.doc.Subject += ", part " + clean(p.Bore.Part.Serial)
	}
	r.from.Hash = p.Hash
	if n := len(p.Records); n > 0 {
		r.from.Journal, r.from.First = p.Records[0].Journal, p.Records[0].Seq
	}
	r.from.Last = p.Last()
	for _, all := range [][]event.Record{p.Records, p.After} {
		for i := range all {
			if at := all[i].At; at.After(r.doc.At) {
				r.doc.At = at
			}
		}
	}
	return r
}

// doubted returns the failed look at a ring that puts the part in doubt, nil if
// none does.
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

func (r *record) outcome() *document.Outcome {
	v := r.Bore.Verdict
	switch c := r.doubted(); {
	case v == nil:
		return &document.Outcome{Mark: document.Open, Word: "NOT FINISHED", Why: clean(string(r.Bore.State) + colon(english(r.Bore.Why)))}
	case c != nil:
		return &document.Outcome{Mark: document.Open, Word: outcome(v) + ", NOW IN DOUBT", Why: clean(english(c.Sentence))}
	case v.Accepted:
		return &document.Outcome{Mark: document.Good, Word: outcome(v), Why: clean(english(v.Reason))}
	}
	return &document.Outcome{Mark: document.Bad, Word: outcome(v), Why: clean(english(v.Reason))}
}

func outcome(v *event.Verdict) string {
	if v.Accepted {
		return "ACCEPTED"
	}
	return "LAID ASIDE"
}

func colon(s string) string {
	if s == "" {
		return ""
	}
	return ": " + s
}

// facts are what was asked for, what was found, and how it was made.
func (r *record) facts() document.Fields {
	return document.Fields{{Name: "Asked for", Fields: asked(r.job)}, {Name: "Found", Fields: r.found()}, {Name: "Made and gauged", Fields: r.made()}}
}

func asked(j *analysis.Job) []document.Field {
	u := j.Unit
	f := []document.Field{
		{Name: "low limit", Value: "Ø " + both(j.Low, u)},
		{Name: "high limit", Value: "Ø " + both(j.High, u)},
		{Name: "target", Value: "Ø " + both(j.Target, u)},
	}
	for _, x := range []struct {
		name string
		max  analysis.Deviation
	}{{"size variation", j.Variation}, {"taper", j.Taper}, {"out-of-round", j.Ovality}} {
		if x.max > 0 {
			f = append(f, document.Field{Name: x.name, Value: "at most " + small(x.max, u)})
		}
	}
	f = append(f, document.Field{Name: "drawing", Value: strings.Join(filled(prefixed("revision ", clean(j.Revision)), "in "+spelt(u)), ", ")})
	kind := "through"
	if j.Blind {
		kind = "blind"
	}
	f = append(f, document.Field{Name: "bore", Value: strings.Join(filled(notation.In(u).Depth(j.Length)+" long", kind, clean(j.Material)), ", ")})
	return f
}

// filled leaves out what is empty.
func filled(all ...string) []string {
	return slices.DeleteFunc(all, func(s string) bool { return s == "" })
}

func prefixed(prefix, s string) string {
	if s == "" {
		return ""
	}
	return prefix + s
}

func (r *record) found() (f []document.Field) {
	b, v := r.Bore, r.Bore.Verdict
	if z := b.Sizes; z != nil {
		f = append(f,
			document.Field{Name: "smallest", Value: both(z.Smallest.Size, r.unit)}, document.Field{Name: "at", Value: where(z.Smallest.Place, r.unit)},
			document.Field{Name: "largest", Value: both(z.Largest.Size, r.unit)}, document.Field{Name: "at", Value: where(z.Largest.Place, r.unit)},
			document.Field{Name: "variation", Value: small(z.Variation, r.unit)})
	} else if v != nil && v.Readings > 0 {
		f = append(f, document.Field{Name: "smallest", Value: both(v.Smallest, r.unit)}, document.Field{Name: "largest", Value: both(v.Largest, r.unit)})
	}
	if u, k := r.stated(); u > 0 {
		f = append(f, document.Field{Name: "U of a size", Value: small(u, r.unit) + k})
	}
	if j := b.Judged; j != nil {
		f = append(f, document.Field{Name: "by the rule", Value: string(j.Decision)})
	}
	if v != nil {
		f = append(f, document.Field{Name: "verdict", Value: strings.ToLower(outcome(v)) + " by " + orDash(r.by(event.Judged))}, document.Field{Name: "given", Value: moment(r.at(event.Judged))})
	}
	if f == nil {
		f = []document.Field{{Name: "sizes", Value: "none"}}
	}
	return f
}

// stated returns the expanded uncertainty that the verdict was given with, or else
// that of the budget, with its coverage factor where it is known.
func (r *record) stated() (u analysis.Deviation, k string) {
	b := r.Bore
	if b.U != nil {
		k = fmt.Sprintf(", k = %.2f", b.U.K)
		u = b.U.Expanded
	}
	if v := b.Verdict; v != nil && v.U > 0 && v.U != u {
		return v.U, ""
	}
	return u, k
}

// by returns who caused the newest event of a kind, at when it was.
func (r *record) by(k event.Kind) string {
	if e := r.newest(k); e != nil {
		return clean(e.Source)
	}
	return ""
}

func (r *record) at(k event.Kind) (t time.Time) {
	if e := r.newest(k); e != nil {
		t = e.At
	}
	return t
}

func (r *record) newest(k event.Kind) *event.Record {
	for i := len(r.Records) - 1; i >= 0; i-- {
		if r.Records[i].Kind == k {
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
	f := []document.Field{{Name: "station", Value: clean(r.Bore.Station)}, {Name: "gauge", Value: orDash(gauges.String())}, {Name: "master ring", Value: orDash(rings.String())}}
	if len(r.Records) > 0 {
		f = append(f, document.Field{Name: "begun", Value: moment(r.Records[0].At)})
	}
	honed := analysis.Count(r.fold.Round(), "round", "rounds")
	if strokes > 0 {
		honed += ", " + analysis.Count(strokes, "stroke", "strokes")
	}
	if seconds > 0 {
		honed += ", " + spell(seconds)
	}
	read := []string{analysis.Count(taken, "taken", "taken")}
	for _, x := range []struct {
		n    int
		what string
	}{{len(r.fold.Voids), "struck out"}, {len(r.fold.Doubtful), "in doubt"}, {len(r.fold.Warmer), "too warm"}, {len(r.fold.Asked), "not confirmed"}, {refused, "refused"}} {
		if x.n > 0 {
			read = append(read, strconv.Itoa(x.n)+" "+x.what)
		}
	}
	return append(f, document.Field{Name: "honed", Value: honed}, document.Field{Name: "readings", Value: strings.Join(read, ", ")}, document.Field{Name: "entered by", Value: r.sources()})
}

// sources tells who or what caused how many events.
func (r *record) sources() string {
	n := map[string]int{}
	for i := range r.Records {
		if s := clean(r.Records[i].Source); s != "" {
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

// set is a list in order of arrival without repeats.
type set []string

func (s *set) add(v string) {
	if v != "" && !slices.Contains(*s, v) {
		*s = append(*s, v)
	}
}

func (s set) String() string { return strings.Join(s, ", ") }

// pictures draw the bore as it ended and the way to it.
func (r *record) pictures() {
	b := r.Bore
	if b.Job == nil || b.Sizes == nil {
		return
	}
	f := notation.In(r.unit)
	c := picture.Cut{Bore: b, W: 1000, H: 300, Format: f}
	r.doc.Add(document.Figure{Drawing: c, W: c.W, H: c.H, Caption: "The bore cut lengthwise, as last gauged."})
	if len(b.Rounds) > 1 {
		a := picture.Approach{Bore: b, W: 1000, H: 170, Format: f}
		r.doc.Add(document.Figure{Drawing: a, W: a.W, H: a.H, Caption: "The way to size: smallest to largest of each round, between the limits."})
	}
}
