package report

import (
	"fmt"
	"slices"
	"strconv"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/verdict"
	"fairbore/daemon/document"
)

// FirstArticle puts together the sheet of a first article: each characteristic that the drawing
// asks for, with its limits, what was measured, with what, and the decision.
func FirstArticle(p Part, f notation.Format) *document.Document {
	r := p.record(f)
	r.doc.Title = r.Text("record.title.article")
	r.doc.Outcome = r.outcome()
	r.identify(number(articleNumber, r.from.Head.Journal, r.from.First), r.issue(), r.from)
	r.doc.Add(r.facts(), r.who())
	r.section(r.Text("record.characteristics"), r.articles())
	r.decisionRule()
	r.form()
	r.zero()
	r.section(r.Text("record.limits"), r.limits(r.Limits, r.job))
	date := r.Text("record.sign.date")
	r.end(r.from, r.traceable(r.looks()), r.Text("record.sign.inspected"), date, r.Text("record.sign.approved"), date)
	return r.doc
}

// article is a characteristic on the sheet.
type article struct {
	no, what       string
	low, high      string
	actual, beside string
	unit           string
	decision       string // code of the decision
	gauge, ring    string
}

// list returns the characteristics: the extreme sizes, the form if it is asked for, and every
// place.
func (r *record) list() (out []article) {
	j := r.job
	size := func(no, what string, at analysis.Place, x *analysis.Length, decision string) {
		a := article{no: no, what: r.balloon(j.Balloons.Size, what), low: r.Digits(j.Low), high: r.Digits(j.High), actual: none, beside: none, unit: r.Large().String(), decision: decision}
		if x != nil {
			a.actual, a.beside = r.Digits(*x), r.Beside().Digits(*x)
		}
		a.gauge, a.ring = r.tools(at)
		out = append(out, a)
	}
	if z := r.Bore.Sizes; z != nil {
		size("1", r.Text("record.article.smallest", z.Smallest.Place), z.Smallest.Place, &z.Smallest.Size, r.judged(z.Smallest.Place))
		size("2", r.Text("record.article.largest", z.Largest.Place), z.Largest.Place, &z.Largest.Size, r.judged(z.Largest.Place))
	}
	gauge, ring := r.tools(j.Plan()...)
	for i, c := range r.characteristics() {
		out = append(out, article{
			no: strconv.Itoa(3 + i), what: r.characteristic(c.Name), low: none, high: r.Micro(c.Limit), actual: r.Micro(c.Value), beside: none, unit: r.MicroUnit(), decision: string(c.Decision), gauge: gauge, ring: ring,
		})
	}
	now := r.fold.Current(r.Bore.Basis)
	for i, p := range j.Plan() {
		no, what := fmt.Sprintf("1.%d", i+1), r.Text("record.article.place", p)
		if x := now[p]; x != nil {
			size(no, what, p, &x.Size, r.judged(p))
		} else {
			size(no, what, p, nil, "not gauged")
		}
	}
	return out
}

// characteristic names a form error, after its number on the drawing.
func (r *record) characteristic(name verdict.CharacteristicName) string {
	b := r.job.Balloons
	no := map[verdict.CharacteristicName]string{verdict.Variation: b.Variation, verdict.Taper: b.Taper, verdict.Ovality: b.Ovality}[name]
	return r.balloon(no, r.Say(name.Phrase()))
}

func (r *record) characteristics() []verdict.Characteristic {
	if r.Bore.Judged == nil {
		return nil
	}
	return r.Bore.Judged.Form
}

func (r *record) articles() *document.Table {
	t := &document.Table{Columns: slices.Concat(
		numbers(r.Text("record.no")), wrapped(r.Text("record.characteristic")), numbers(r.Text("record.low_limit"), r.Text("record.high_limit"), r.Text("record.actual")), words(r.Text("record.unit")),
		numbers(r.Beside().Large().String()), words(r.Text("record.gauge"), r.Text("record.ring"), r.Text("record.decision")))}
	for _, a := range r.list() {
		t.Rows = append(t.Rows, []string{a.no, a.what, a.low, a.high, a.actual, a.unit, a.beside, a.gauge, a.ring, r.decided(a.decision)})
	}
	t.Notes = []string{r.Text("record.note.article")}
	return t
}

// tools returns the gauges and the rings that were used at places in the last round.
func (r *record) tools(at ...analysis.Place) (gauge, ring string) {
	var gauges, rings set
	now := r.fold.Current(r.Bore.Basis)
	for _, p := range at {
		x := now[p]
		if x == nil {
			continue
		}
		gauges.add(clean(x.Gauge))
		for _, m := range r.masters() {
			if m.Master.Number == x.Mastered {
				rings.add(clean(m.Master.Ring.ID))
			}
		}
	}
	return orDash(gauges.String()), orDash(rings.String())
}

// decisionRule states the rule. The tables with the figures are elsewhere in the record.
func (r *record) decisionRule() {
	j := r.Bore.Judged
	if j == nil {
		r.section(r.Text("record.decision_rule"), r.recorded())
		return
	}
	z := &j.Sizes.Zone
	r.section(r.Text("record.decision_rule"), document.Lines(append(filled(
		r.Text("record.rule.alone", j.Rule.Phrase()), r.Text("record.rule.u", r.Bore.U.Expanded, z.Guard, analysis.Size(z.AcceptLow), analysis.Size(z.AcceptHigh)), r.fits(j.Sizes.Fit), r.otherwise(),
	), r.assumes(r.Bore.Assumes)...)))
}
