package report

import (
	"math"
	"slices"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
	"fairbore/daemon/document"
	"fairbore/daemon/event"
)

// form says the form of the bore in words.
func (r *record) form() {
	if len(r.Bore.Words) > 0 {
		r.section(r.Text("record.form"), r.lines(r.Bore.Words))
	}
}

// decision states the rule and its result.
func (r *record) decision() {
	r.section(r.Text("record.decided"))
	j := r.Bore.Judged
	if j == nil {
		r.doc.Add(r.recorded())
		return
	}
	z := &j.Sizes.Zone
	r.doc.Add(document.Lines(append(filled(
		r.Text("record.rule.is", j.Rule.Phrase()), r.Text("record.rule.guard", z.Guard, analysis.Size(z.AcceptLow), analysis.Size(z.AcceptHigh)), r.say(j.Sentence), r.fits(j.Sizes.Fit), r.otherwise(),
	), r.assumes(r.Bore.Assumes)...)))
	r.doc.Add(r.judgements(j), document.Lines(r.chances(j)))
	if j.Plugs != nil {
		r.doc.Add(document.Lines{r.Text("record.mind", j.Plugs.Caution)})
	}
}

// assumes says what the uncertainty rests on that nobody stated or measured, and how to know it.
func (r *record) assumes(all []event.Assumption) (lines []string) {
	for _, a := range all {
		lines = append(lines, r.Text("record.assumes", a.Says, a.Settle))
	}
	return lines
}

func (r *record) fits(f verdict.Fit) string {
	if f == verdict.GoodFit {
		return ""
	}
	return r.Text("record.fit." + string(f))
}

// otherwise says where this version of the program works out another uncertainty than the recorded
// verdict was given with.
func (r *record) otherwise() string {
	v, j := r.Bore.Verdict, r.Bore.Judged
	if v == nil || v.Rule == "" || v.Rule == string(j.Rule) && (r.Bore.U == nil || v.U == r.Bore.U.Expanded) {
		return ""
	}
	return r.Text("record.rule.otherwise", verdict.Rule(v.Rule).Phrase(), v.U)
}

// recorded says what the journal has of the decision.
func (r *record) recorded() document.Lines {
	v := r.Bore.Verdict
	if v == nil || v.Rule == "" {
		return document.Lines{r.Text("record.rule.none")}
	}
	return append(document.Lines{r.Text("record.rule.then", verdict.Rule(v.Rule).Phrase(), v.U, analysis.Say("state."+string(v.State)))}, r.assumes(v.Assumes)...)
}

// judgements tables what was judged.
func (r *record) judgements(j *verdict.Bore) *document.Table {
	t := &document.Table{Columns: slices.Concat(
		words(r.Text("record.characteristic")), numbers(r.Text("record.low_limit"), r.Text("record.high_limit"), r.Text("record.actual_found")), words(r.Text("record.unit")),
		wrapped(r.Text("record.at")), numbers(r.Text("record.chance")), words(r.Text("record.decision")))}
	for _, x := range []struct {
		name string
		at   *verdict.Local
	}{{r.balloon(r.job.Balloons.Size, r.Text("record.smallest_size")), j.Sizes.Smallest}, {r.balloon(r.job.Balloons.Size, r.Text("record.largest_size")), j.Sizes.Largest}} {
		if x.at != nil {
			t.Rows = append(t.Rows, []string{x.name, r.Digits(r.job.Low), r.Digits(r.job.High), r.Digits(x.at.Size), r.Large().String(), r.Place(x.at.Place), r.Say(verdict.Percent(x.at.Chance.Probability)), r.decided(decision(x.at.Decision, x.at.Side))})
		}
	}
	for _, c := range j.Form {
		at, chance := r.Text("record.between", c.Large, c.Small), r.Say(verdict.Percent(c.Probability))
		if c.Decision == verdict.NotJudged {
			at, chance = r.say(c.Why), none
		}
		t.Rows = append(t.Rows, []string{r.characteristic(c.Name), none, r.Micro(c.Limit), r.Micro(c.Value), r.MicroUnit(), at, chance, r.decided(string(c.Decision))})
	}
	return t
}

// chances says on what prior the probabilities for the extreme sizes are based. Those for a form
// error are based on a flat prior.
func (r *record) chances(j *verdict.Bore) (lines []string) {
	small, large := j.Sizes.Smallest, j.Sizes.Largest
	if small == nil {
		return nil
	}
	if !small.Chance.Why.IsZero() && small.Chance.Why.Code == large.Chance.Why.Code {
		return []string{r.Text("record.chance.flat_both", small.Chance.Why)}
	}
	for _, l := range []struct {
		flat, lot string
		at        *verdict.Local
	}{{"record.chance.flat_smallest", "record.chance.lot_smallest", small}, {"record.chance.flat_largest", "record.chance.lot_largest", large}} {
		if c := l.at.Chance; c.Prior == verdict.Flat {
			lines = append(lines, r.Text(l.flat, c.Why))
		} else {
			lines = append(lines, r.Text(l.lot, c.Parts, verdict.Percent(l.at.Probability)))
		}
	}
	return lines
}

// budget tables how the uncertainty is made up.
func (r *record) budget() {
	b := r.Bore.Budget
	if b == nil {
		return
	}
	r.section(r.Text("record.budget.size"), r.budgetTable(b, r.Text("budget.head.in_size")))
	if f := r.Bore.FormBudget; f != nil && r.Bore.Judged != nil && len(r.Bore.Judged.Form) > 0 {
		r.section(r.Text("record.budget.form"), r.budgetTable(f, r.Text("budget.head.in_difference")))
	}
}

func (w *writer) budgetTable(b *uncertainty.Budget, in string) *document.Table {
	t := &document.Table{Columns: slices.Concat(
		wrapped(w.Text("budget.head.input")), words(w.Text("budget.head.type"), w.Text("budget.head.distribution")), numbers("±", "u"), words(w.Text("record.unit")),
		numbers(w.Text("budget.head.per_unit"), in, w.Text("budget.head.share")), words(w.Text("budget.head.basis")))}
	for i := range b.Components {
		l := &b.Components[i]
		half, basis := none, none
		if l.HalfWidth != 0 {
			half = w.figure(l.HalfWidth)
		}
		if l.Basis != "" {
			basis = w.Text("budget.basis." + string(l.Basis))
		}
		t.Rows = append(t.Rows, []string{
			w.Text("budget.line." + l.Name), string(l.Type), w.Text("budget.distribution." + string(l.Distribution)), half, w.figure(l.Standard), symbol(l.Unit), w.figure(l.Sensitivity),
			w.As(analysis.Length(l.Contribution), analysis.UM, 3), w.Decimal(l.Share, 0), basis,
		})
		if l.Name == uncertainty.ComponentAveraging {
			t.Notes = append(t.Notes, w.Text("budget.averaging", analysis.Say("budget.source."+l.Source, master.UsualAveraging)))
		}
	}
	if n := len(b.Products); n > 0 {
		sum := 0.0
		for _, p := range b.Products {
			sum = math.Hypot(sum, analysis.Length(p.Contribution).Micrometres())
		}
		t.Rows = append(t.Rows, []string{w.Text("budget.products"), none, w.Text("budget.second_order"), none, none, none, none, w.Decimal(sum, 3), none, none})
	}
	for _, c := range b.Correlations {
		t.Notes = append(t.Notes, w.Text("budget.correlated", analysis.Say("budget.line."+c.A), analysis.Say("budget.line."+c.B), w.figure(c.R)))
	}
	um, of, stated := w.metric(), analysis.Say("budget.of."+b.Of), b.Say() // as the table
	if b.Propagated {
		t.Notes = append(t.Notes, um.Text("budget.by_gum_propagated", of, stated))
	} else {
		t.Notes = append(t.Notes, um.Text("budget.by_gum", of, stated))
	}
	return t
}

func (w *writer) figure(v float64) string { return w.Significant(v, 3) }

// symbol converts a UCUM code into the usual symbol.
func symbol(unit string) string {
	switch unit {
	case "um":
		return "µm"
	case "1e-6/K":
		return "10⁻⁶/K"
	case "s2":
		return "s²"
	case "Cel":
		return "°C"
	}
	return unit
}
