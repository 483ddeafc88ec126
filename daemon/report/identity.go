package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"fairbore/analysis"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

// The kinds of record, the first letter of a report number.
const (
	partNumber    = "P"
	articleNumber = "F"
	lotNumber     = "L"
	logNumber     = "M"
	studyNumber   = "S"
)

// number returns a report number: the kind, the beginning of the journal's id, and the rows by which
// the record is found there. Whoever prints the record gets the same.
func number(kind, journal string, rows ...uint64) string {
	if len(journal) > 8 {
		journal = journal[:8]
	}
	s := kind + "-" + journal
	for _, n := range rows {
		s += fmt.Sprintf("-%d", n)
	}
	return s
}

// identify puts the report number with its issue on each page. Issue 0 is a draft: what it is of has
// not come to its end, and each further row may change it.
func (w *writer) identify(no string, issue int, t Trace) {
	if t.Head.Journal == "" {
		return
	}
	if issue == 0 {
		w.doc.Number = w.Text("record.number.draft", no, int(t.Head.Seq))
		return
	}
	w.doc.Number = w.Text("record.number", no, issue)
}

// letterhead takes the letterhead from the newest settings.
func (w *writer) letterhead(set *event.Settings) {
	if set == nil {
		return
	}
	w.doc.Letterhead.Logo = set.Letterhead.Logo
	for _, l := range set.Letterhead.Lines {
		w.doc.Letterhead.Lines = append(w.doc.Letterhead.Lines, clean(l))
	}
}

// issue returns how often the record of the part has changed since its first result, which makes
// issue 1; 0 for a part without a result. The record changes with each later event that it tells of:
// another result, a voided reading, a look at the ring.
func (r *record) issue() (n int) {
	for _, all := range [][]event.Record{r.Records, r.After} {
		for i := range all {
			if e := &all[i]; e.Verdict != nil || n > 0 && r.changes(e) {
				n++
			}
		}
	}
	return n
}

// changes reports whether the record tells of an event.
func (r *record) changes(e *event.Record) bool {
	what, _ := r.tell(e)
	return what != "" || e.Verdict != nil || e.Reading != nil || e.Round != nil || look(&e.Event)
}

// papers returns what stands on the papers of job and part, by which others find the record.
func (w *writer) papers(j *analysis.Job, p *event.Part) document.Group {
	own := analysis.PartPapers{}
	if p != nil {
		own = p.PartPapers
	}
	drawing := ""
	if j.Drawing != "" {
		drawing = strings.Join(filled(clean(j.Drawing), w.revision(j)), ", ")
	}
	var f []document.Field
	for _, x := range []struct{ name, value string }{
		{w.Text("record.customer"), j.Customer}, {w.Text("record.order"), cmp.Or(own.Order, j.Order)}, {w.Text("record.part_number"), j.PartNumber},
		{w.Text("record.drawing"), drawing}, {w.Text("record.operation"), j.Operation}, {w.Text("record.heat"), own.Heat},
	} {
		if x.value != "" {
			f = append(f, field(x.name, clean(x.value)))
		}
	}
	for _, x := range slices.Concat(j.Fields, own.Fields) {
		f = append(f, field(clean(x.Name), orDash(clean(x.Value))))
	}
	return group(w.Text("record.papers"), f...)
}

func (w *writer) revision(j *analysis.Job) string {
	if j.Revision == "" {
		return ""
	}
	return w.Text("record.revision", clean(j.Revision))
}

// balloon returns what it is the requirement of, after the number that it has on the drawing.
func (w *writer) balloon(no, what string) string {
	if no == "" {
		return what
	}
	return w.Text("record.balloon", clean(no), what)
}

// people returns who did what, by the names of the settings. measured says who measured, "" where
// nothing was.
func (w *writer) people(names *event.Settings, measured string, records, masters []event.Record) document.Group {
	var f []document.Field
	say := func(code string, who []string) {
		if text := strings.Join(who, ", "); text != "" {
			f = append(f, field(w.Text(code), text))
		}
	}
	by := func(all []event.Record, who func(*event.Record) string) (said set) {
		for i := range all {
			said.add(who(&all[i]))
		}
		return said
	}
	decided := func(accepted bool) []string {
		return by(records, func(e *event.Record) string {
			if e.Verdict == nil || e.Verdict.Accepted() != accepted {
				return ""
			}
			return w.named(names, e.Person)
		})
	}
	say("record.by.measured", []string{measured})
	say("record.by.mastered", by(masters, func(e *event.Record) string { return w.named(names, e.Person) }))
	say("record.by.accepted", decided(true))
	say("record.by.decided", decided(false))
	say("record.by.signed", by(records, func(e *event.Record) string {
		if e.Verdict == nil || e.Verdict.SignedBy == "" {
			return ""
		}
		return w.named(names, e.Verdict.SignedBy)
	}))
	return group(w.Text("record.people"), f...)
}

// certified returns a certified size in both systems of units, with the places of a certificate.
func (w *writer) certified(l analysis.Length) string {
	o := w.Beside()
	return w.Certified(l) + " " + w.Large().String() + " (" + o.Certified(l) + " " + o.Large().String() + ")"
}

// traceable states of each ring that set a zero to what its size is traceable, and claims nothing
// where no certificate is stated.
func (w *writer) traceable(looks []event.Record) (said document.Lines) {
	seen := map[string]bool{}
	for i := range looks {
		e := &looks[i]
		if e.Kind != event.Mastered {
			continue
		}
		ring, text := ringOf(e), ""
		switch about := w.Text("record.trace.ring", clean(ring.ID), w.certified(ring.Size), ring.U); {
		case ring.Certified == "":
			text = w.Text("record.trace.none", about)
		case ring.Due.IsZero():
			text = w.Text("record.trace.certificate", clean(e.Master.Gauge), about, clean(ring.Certified))
		case analysis.Overdue(ring.Due, e.At):
			text = w.Text("record.trace.overdue", about, clean(ring.Certified), analysis.Day(ring.Due))
		default:
			text = w.Text("record.trace.certificate_due", clean(e.Master.Gauge), about, clean(ring.Certified), analysis.Day(ring.Due))
		}
		if !seen[text] {
			seen[text] = true
			said = append(said, text)
		}
	}
	if said == nil {
		said = document.Lines{w.Text("record.trace.no_ring")}
	}
	return said
}
