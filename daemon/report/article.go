package report

import (
	"fmt"
	"strconv"

	"fairbore/analysis/verdict"
	"fairbore/daemon/document"
	"fairbore/daemon/state"
)

// FirstArticle puts the sheet together on which each characteristic of a part that
// the drawing asks for stands with its limits, what was found, what with, and the
// decision.
func FirstArticle(p Part) *document.Document {
	r := p.record()
	r.doc.Title = "First article"
	r.doc.Outcome = r.outcome()
	r.doc.Add(r.facts())
	r.doc.Add(document.Heading("Characteristics"), r.articles())
	r.decisionRule()
	r.form()
	r.zero()
	r.limits()
	r.from.stand(r.doc)
	r.doc.Add(document.Signature{"inspected by", "date", "approved by", "date"})
	return r.doc
}

// article is a characteristic on the sheet.
type article struct {
	no, what       string
	low, high      string
	actual, beside string
	unit           string
	decision       string
}

// list returns the characteristics: the extremes of size, the form that is asked
// for, and every place.
func (r *record) list() (out []article) {
	j, u := r.job, r.unit
	low, high := size(j.Low, u), size(j.High, u)
	if z := r.Bore.Sizes; z != nil {
		for i, x := range []struct {
			what string
			at   state.Local
		}{{"smallest size", z.Smallest}, {"largest size", z.Largest}} {
			out = append(out, article{
				no: strconv.Itoa(i + 1), what: "Ø, " + x.what + ", at " + where(x.at.Place, u), low: low, high: high,
				actual: size(x.at.Size, u), beside: size(x.at.Size, other(u)), unit: large(u).String(), decision: r.judged(x.at.Place),
			})
		}
	}
	for i, c := range r.characteristics() {
		out = append(out, article{
			no: strconv.Itoa(3 + i), what: english(c.Name.Phrase()), low: "–", high: fineOf(c.Limit, u), actual: fineOf(c.Value, u), beside: "–", unit: fine(u).String(), decision: string(c.Decision),
		})
	}
	now := r.fold.Current(r.Bore.Basis)
	for i, p := range j.Plan() {
		a := article{no: fmt.Sprintf("1.%d", i+1), what: "Ø at " + where(p, u), low: low, high: high, actual: "–", beside: "–", unit: large(u).String(), decision: "not gauged"}
		if x := now[p]; x != nil {
			a.actual, a.beside, a.decision = size(x.Size, u), size(x.Size, other(u)), r.judged(p)
		}
		out = append(out, a)
	}
	return out
}

func (r *record) characteristics() []verdict.Characteristic {
	if r.Bore.Judged == nil {
		return nil
	}
	return r.Bore.Judged.Form
}

func (r *record) articles() *document.Table {
	t := &document.Table{Columns: []document.Column{
		{Head: "no."}, {Head: "characteristic", Left: true, Wrap: true}, {Head: "low limit"}, {Head: "high limit"}, {Head: "actual"}, {Head: "unit", Left: true},
		{Head: other(r.unit).String()}, {Head: "gauge", Left: true}, {Head: "ring", Left: true}, {Head: "decision", Left: true},
	}}
	gauge, ring := r.tools()
	for _, a := range r.list() {
		t.Rows = append(t.Rows, []string{a.no, a.what, a.low, a.high, a.actual, a.unit, a.beside, gauge, ring, a.decision})
	}
	t.Notes = []string{"No average is judged: 1 and 2 are the extremes of all places, 1.1 and on each place by itself."}
	return t
}

// tools returns the gauge and the ring that the last round was gauged with.
func (r *record) tools() (gauge, ring string) {
	gauge, ring = "–", "–"
	for _, x := range r.fold.Current(r.Bore.Basis) {
		gauge = clean(x.Gauge)
		for _, m := range r.masters() {
			if m.Master.Number == x.Mastered {
				ring = clean(m.Master.Ring.ID)
			}
		}
	}
	return gauge, ring
}

// decisionRule states the rule without the tables that stand elsewhere.
func (r *record) decisionRule() {
	j := r.Bore.Judged
	if j == nil {
		r.doc.Add(document.Heading("Decision rule"), r.recorded())
		return
	}
	z := &j.Sizes.Zone
	r.doc.Add(document.Heading("Decision rule"), document.Lines(filled(
		english(j.Rule.Phrase())+".",
		fmt.Sprintf("U of a size = %s. Guard band g = %s: accepted is what reads from %s to %s.",
			small(r.Bore.U.Expanded, r.unit), small(z.Guard, r.unit), both(z.AcceptLow, r.unit), both(z.AcceptHigh, r.unit)),
		fits(j.Sizes.Fit), r.otherwise(),
	)))
}
