package session

import (
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/form"
	"fairbore/analysis/master"
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
)

// judgement works out form, uncertainty and verdict of the readings of a round.
func (f *Fold) judgement(b *Bore, set *Settings, readings []analysis.Reading) {
	kind := form.TwoPoint
	if set.Gauge.ThreePoint {
		kind = form.SelfCentring
	}
	far := ""
	if f.Job.Blind {
		far = "bottom"
	}
	res := form.Evaluate(readings, form.Options{
		Repeatability: set.Gauge.Repeatability, Step: set.Gauge.Step, Face: f.Job.Face, Far: far, Length: f.Job.Length, Gauge: kind,
	})
	b.Form = &res
	b.Words = res.SentencesIn(words(f.Job.Speaks()))
	if f.Master == nil {
		return
	}
	size, form, err := f.budgets(set, b.Basis, readings)
	if err != nil { // the configuration check asks for all that it needs
		return
	}
	b.U, b.Budget = &size.Stated, &size
	rule := set.Rule
	if rule == "" {
		rule = verdict.Simple
	}
	v := verdict.Judge(verdict.Input{Job: f.Job, Readings: readings, Size: size.Stated, Form: form.Stated, Rule: rule})
	b.Judged = &v
}

// words says lengths as phrases do, in a unit that [analysis.Phrase.In] takes.
func words(u analysis.Unit) form.Words {
	if !u.Inch() {
		return form.Metric()
	}
	return form.Words{
		Small: func(d analysis.Deviation) string { return analysis.Sayf("%s", d).In(u) },
		Long:  func(l analysis.Length) string { return analysis.Sayf("%s", l).In(u) },
	}
}

// thermometer is ± of the difference of two temperatures that were measured
// (common practice for contact thermometers side by side).
const thermometer = 3 * analysis.Celsius / 10

// budgets works out the uncertainty of a size of the round, and of the difference
// of two of them; basis is the number of the round.
func (f *Fold) budgets(set *Settings, basis int, readings []analysis.Reading) (size, form uncertainty.Budget, err error) {
	part, err := material(f.Job.Material)
	if err != nil {
		return size, form, err
	}
	ring, err := material(f.Master.Ring.Material)
	if err != nil {
		return size, form, err
	}
	var capture analysis.Deviation
	for _, r := range readings {
		capture = max(capture, r.U)
	}
	d := set.Doubt
	in := uncertainty.BoreInput{
		Size: f.Job.Target, RingU: f.Master.Ring.U, Repeat: set.Gauge.Repeatability, Readings: 1, Master: f.Master.Of, Capture: capture,
		Drift: d.Drift, Contact: d.Contact, Resolution: set.Gauge.Step, Ring: ring, Part: part,
		RingFrom20: d.RingFrom20, RingWithin: d.RingWithin, PartWithin: d.PartWithin,
	}
	in.GainU, in.Away = f.gainDoubt()
	if part == ring {
		in.SameMaterial = 1
	}
	larger, left, err := f.indentation(&set.Gauge)
	if err != nil {
		return size, form, err
	}
	in.Indentation = max(larger, -larger)
	if f.contactCorrected(basis) {
		in.Indentation = left
	}
	if f.Warm.Part != nil && f.RingThen != nil { // measured, and corrected for
		in.RingFrom20, in.RingWithin = *f.RingThen-analysis.Reference, thermometer
		in.PartFromRing, in.PartWithin = *f.Warm.Part-*f.RingThen, thermometer
	}
	if size, err = uncertainty.Bore(in); err != nil {
		return size, form, err
	}
	form, err = uncertainty.Difference(uncertainty.DifferenceInput{
		Size: f.Job.Target, Repeat: set.Gauge.Repeatability, Readings: 1, Resolution: set.Gauge.Step, Part: part,
	})
	return size, form, err
}

// material returns the expansion of a material; one that is not stated is steel,
// as rings are.
func material(name string) (uncertainty.Expansion, error) {
	m, err := master.FindMaterial(orElse(name, "steel"))
	return uncertainty.Expansion{Alpha: m.Alpha, U: m.Spread}, err
}

// cooling looks at the readings at one place, one after the other, for a part that
// is still warm; nil if there are too few in a row.
func (f *Fold) cooling(set *Settings) *master.Cooling {
	var points []master.Warm
	var at analysis.Place
	for _, r := range f.Readings[f.begin:] {
		if !f.counts(r) {
			continue
		}
		if r.Place != at {
			at, points = r.Place, nil
		}
		points = append(points, master.Warm{At: r.At.Sub(f.RoundAt), Size: r.Size})
	}
	if len(points) < master.LeastWarm {
		return nil
	}
	tau, basis := master.Expect(f.Job.Material, f.Job.Outside, f.Job.Nominal)
	rules := master.UsualCooling(set.Gauge.Repeatability, tau)
	rules.Basis = basis
	c := master.Settle(points, rules)
	c.Sentence = strings.TrimSpace(c.Sentence)
	return &c
}
