package report

import (
	"fmt"
	"math"

	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
	"fairbore/daemon/document"
)

// form says the form of the bore in words.
func (r *record) form() {
	if len(r.Bore.Words) == 0 {
		return
	}
	if r.NoSettings {
		r.doc.Add(document.Heading("Form"), document.Para("Not worked out: what the gauge can see and how well it repeats stands in the configuration, not in the journal."))
		return
	}
	r.doc.Add(document.Heading("Form"), englishAll(r.Bore.Words))
}

// decision states the rule and what it comes to.
func (r *record) decision() {
	r.doc.Add(document.Heading("Decision"))
	b := r.Bore
	if b.Judged == nil {
		r.doc.Add(r.recorded())
		return
	}
	j := b.Judged
	z := &j.Sizes.Zone
	r.doc.Add(document.Lines(filled(
		"Rule: "+english(j.Rule.Phrase())+".",
		fmt.Sprintf("Guard band g = %s: accepted is what reads from %s to %s, at every place; no average is judged.",
			small(z.Guard, r.unit), both(z.AcceptLow, r.unit), both(z.AcceptHigh, r.unit)),
		clean(english(j.Sentence)),
		fits(j.Sizes.Fit),
		r.otherwise(),
	)))
	r.doc.Add(characteristics(j, r.job))
	r.doc.Add(document.Lines(chances(j)))
	r.doc.Add(document.Lines{"Mind: " + verdict.PlugsCaution + "."})
}

func fits(f verdict.Fit) string {
	switch f {
	case verdict.PoorFit:
		return "Mind: the uncertainty takes more than half of the tolerance."
	case verdict.NotFit:
		return "Mind: the gauge is not good enough for this limit."
	case verdict.NoFit:
		return "Mind: no uncertainty is stated."
	}
	return ""
}

// otherwise says where the verdict on record was given by other terms than those
// that the rest of this page is worked out with.
func (r *record) otherwise() string {
	v, j := r.Bore.Verdict, r.Bore.Judged
	if v == nil || v.Rule == "" || v.Rule == string(j.Rule) && (r.Bore.U == nil || v.U == r.Bore.U.Expanded) {
		return ""
	}
	return fmt.Sprintf("The verdict on record was given by: %s, with U = %s. What stands here is worked out with the settings of now.", english(verdict.Rule(v.Rule).Phrase()), small(v.U, r.unit))
}

// recorded is what the journal itself has of the decision.
func (r *record) recorded() document.Lines {
	v := r.Bore.Verdict
	switch {
	case v == nil || v.Rule == "":
		return document.Lines{"Not judged by a rule."}
	case r.NoSettings:
		return document.Lines{
			fmt.Sprintf("Rule: %s. U = %s. At that moment: %s.", english(verdict.Rule(v.Rule).Phrase()), small(v.U, r.unit), v.State),
			"The budget behind U is not in the journal; with the configuration at hand it is worked out here.",
		}
	}
	return document.Lines{fmt.Sprintf("Rule: %s. U = %s. At that moment: %s.", english(verdict.Rule(v.Rule).Phrase()), small(v.U, r.unit), v.State)}
}

// characteristics table what was judged.
func characteristics(j *verdict.Bore, job *analysis.Job) *document.Table {
	u := job.Unit
	t := &document.Table{Columns: []document.Column{
		{Head: "characteristic", Left: true}, {Head: "low limit"}, {Head: "high limit"}, {Head: "found"}, {Head: "unit", Left: true},
		{Head: "at", Left: true, Wrap: true}, {Head: "chance to conform"}, {Head: "decision", Left: true},
	}}
	low, high, unit := size(job.Low, u), size(job.High, u), large(u).String()
	for _, x := range []struct {
		name string
		at   *verdict.Local
	}{{"smallest size", j.Sizes.Smallest}, {"largest size", j.Sizes.Largest}} {
		if x.at != nil {
			t.Rows = append(t.Rows, []string{x.name, low, high, size(x.at.Size, u), unit, where(x.at.Place, u), english(verdict.Percent(x.at.Chance.Probability)), decided(x.at.Decision, x.at.Side)})
		}
	}
	for _, c := range j.Form {
		at := where(c.Large, u) + " less " + where(c.Small, u)
		chance := english(verdict.Percent(c.Probability))
		if c.Decision == verdict.NotJudged {
			at, chance = english(c.Why), "–"
		}
		t.Rows = append(t.Rows, []string{english(c.Name.Phrase()), "–", fineOf(c.Limit, u), fineOf(c.Value, u), fine(u).String(), at, chance, string(c.Decision)})
	}
	return t
}

// chances says what prior the chances of the worst sizes rest on. Those of a form error
// rest on a flat one.
func chances(j *verdict.Bore) (lines []string) {
	if j.Sizes.Smallest == nil {
		return nil
	}
	flat := func(what string, l *verdict.Local) string {
		return "Chance of " + what + ": with a flat prior, since " + english(l.Chance.Why) + "."
	}
	small, large := j.Sizes.Smallest, j.Sizes.Largest
	if !small.Chance.Why.IsZero() && small.Chance.Why.Code == large.Chance.Why.Code {
		return []string{flat("both sizes", small)}
	}
	for _, l := range []struct {
		what string
		at   *verdict.Local
	}{{"the smallest size", small}, {"the largest size", large}} {
		if l.at.Chance.Prior == verdict.Flat {
			lines = append(lines, flat(l.what, l.at))
			continue
		}
		lines = append(lines, fmt.Sprintf("Chance of %s: with the prior from %d parts of this job; with a flat one %s. The guard band rests on the flat one.", l.what, l.at.Chance.Parts, english(verdict.Percent(l.at.Probability))))
	}
	return lines
}

// budget tables how the uncertainty comes about.
func (r *record) budget() {
	b := r.Bore.Budget
	if b == nil {
		return
	}
	r.doc.Add(document.Heading("Uncertainty of one size"), budgetTable(b, "in size, µm"))
	if f := r.Bore.FormBudget; f != nil && r.Bore.Judged != nil && len(r.Bore.Judged.Form) > 0 {
		r.doc.Add(document.Heading("Uncertainty of a form error"), budgetTable(f, "in difference, µm"))
	}
}

func budgetTable(b *uncertainty.Budget, of string) *document.Table {
	t := &document.Table{Columns: []document.Column{
		{Head: "input", Left: true, Wrap: true}, {Head: "type", Left: true}, {Head: "distribution", Left: true},
		{Head: "±"}, {Head: "u"}, {Head: "unit", Left: true}, {Head: "µm per unit"}, {Head: of}, {Head: "share, %"}, {Head: "basis", Left: true},
	}}
	for i := range b.Lines {
		l := &b.Lines[i]
		half := "–"
		if l.HalfWidth != 0 {
			half = figure(l.HalfWidth)
		}
		t.Rows = append(t.Rows, []string{
			l.Name, string(l.Type), string(l.Distribution), half, figure(l.Standard), spoken(l.Unit), figure(l.Sensitivity),
			analysis.Length(l.Contribution).Format(analysis.UM, 3), fmt.Sprintf("%.0f", l.Share), orDash(string(l.Basis)),
		})
	}
	if n := len(b.Products); n > 0 {
		sum := 0.0
		for _, p := range b.Products {
			sum += analysis.Length(p.Contribution).Micrometres() * analysis.Length(p.Contribution).Micrometres()
		}
		t.Rows = append(t.Rows, []string{"products of expansion and temperature", "–", "second order", "–", "–", "–", "–", fmt.Sprintf("%.3f", math.Sqrt(sum)), "–", "–"})
	}
	for _, c := range b.Correlations {
		t.Notes = append(t.Notes, fmt.Sprintf("%s and %s are correlated, r = %s.", c.A, c.B, figure(c.R)))
	}
	for i := range b.Lines {
		if l := &b.Lines[i]; l.Name == uncertainty.LineAveraging {
			t.Notes = append(t.Notes, "The averaging of the gauge is "+clean(l.Source)+".")
		}
	}
	t.Notes = append(t.Notes, "Of "+b.Of+", by JCGM 100:2008 (GUM): "+b.Stated.String()+".")
	return t
}

func figure(v float64) string { return minus(fmt.Sprintf("%.3g", v)) }

// spoken turns a UCUM code into what a person writes.
func spoken(unit string) string {
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
