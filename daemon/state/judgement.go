package state

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"fairbore/analysis"
	"fairbore/analysis/form"
	"fairbore/analysis/material"
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
)

// judgement works out form, uncertainty and verdict from the readings of a round, by the settings and
// temperatures at the last verdict on the part, if there is one. Of several gauges it takes the one with the
// larger uncertainty.
func (f *Fold) judgement(b *Bore, set *Settings, readings []analysis.Reading) {
	if t := f.judgedBy; t != nil {
		then := *f
		then.Warm, f = t.warm, &then
		if t.set != nil {
			set = &Settings{Settings: *t.set}
		}
	}
	var size, between uncertainty.Budget
	known := false
	for _, g := range f.gaugesOf(set, b.Basis) {
		by := *set
		by.Gauge = *g
		if f.Master == nil {
			set = &by
			continue
		}
		s, d, err := f.budgets(&by, b.Basis, readings)
		if err != nil { // the check of the configuration makes sure of all that it needs
			continue
		}
		if !known || s.Stated.Expanded > size.Stated.Expanded {
			size, between, set, known = s, d, &by, true
		}
	}
	kind := form.TwoPoint
	if set.Gauge.ThreePoint {
		kind = form.SelfCentring
	}
	far := ""
	if f.Job.Blind {
		far = "bottom"
	}
	res := form.Evaluate(readings, form.Options{
		Repeatability: f.Repeat(&set.Gauge), Step: set.Gauge.Step, Face: f.Job.Face, Far: far, Length: f.Job.Length, Gauge: kind,
	})
	b.Form = &res
	b.Words = res.Phrases()
	if !known {
		return
	}
	b.U, b.Budget, b.FormBudget, b.Assumes = &size.Stated, &size, &between, assumptions(&size)
	rule := verdict.Rule(cmp.Or(set.Rule, string(verdict.Simple)))
	v := verdict.Judge(verdict.Input{Job: f.Job, Readings: readings, Size: size.Stated, Form: between.Stated, Rule: rule, Lot: f.lot(own(&set.Gauge, readings))})
	b.Judged = &v
}

// assumptions says what is assumed in a budget and matters, with its value, and how to settle it.
func assumptions(b *uncertainty.Budget) (all []event.Assumption) {
	for _, l := range b.Assumed() {
		value := cmp.Or(l.HalfWidth, l.Standard)
		a := event.Assumption{Line: l.Name, Settle: analysis.Say("assume.settle." + l.Name)}
		switch l.Unit {
		case "um":
			a.Says = analysis.Say("assume."+l.Name, analysis.Fine(math.Round(value*float64(analysis.Micrometre))))
		case "K":
			a.Says = analysis.Say("assume."+l.Name, analysis.Kelvin(math.Round(value*float64(analysis.Celsius))))
		default: // a value that says nothing to a person
			a.Says = analysis.Say("assume." + l.Name)
		}
		all = append(all, a)
	}
	return all
}

// own returns the part of the standard uncertainty of one size that differs from part to part:
// scatter and resolution. The rest of its budget comes from ring, zero and shop, and is wholly or
// partly the same for all parts.
func own(g *GaugeSettings, readings []analysis.Reading) analysis.Deviation {
	scatter := float64(max(g.Repeatability, capturedU(readings)))
	return analysis.Deviation(math.Round(math.Hypot(scatter, float64(g.Step)/math.Sqrt(12))))
}

// capturedU returns the largest standard uncertainty that the captures gave.
func capturedU(readings []analysis.Reading) (u analysis.Deviation) {
	for _, r := range readings {
		u = max(u, r.U)
	}
	return u
}

// lot returns the worst sizes of the finished parts of the job except the one in hand, each with
// its last verdict. A part that was finished before it was in size tells nothing about the sizes
// at which honing ends.
func (f *Fold) lot(own analysis.Deviation) verdict.Lot {
	l := verdict.Lot{Own: own}
	for i, v := range f.Lot {
		again := slices.ContainsFunc(f.Lot[i+1:], func(later *event.Verdict) bool { return later.Part == v.Part })
		done := v.Accepted() || v.State == event.InSize || v.State == event.OutOfForm || v.State == event.TooClose || v.State == event.Over
		if again || !done || v.Readings == 0 || f.Part != nil && v.Part == f.Part.Serial {
			continue
		}
		l.Smallest, l.Largest = append(l.Smallest, v.Smallest), append(l.Largest, v.Largest)
	}
	return l
}

// thermometer is the ± of the difference of two measured temperatures (common practice for contact
// thermometers side by side).
const thermometer = 3 * analysis.Celsius / 10

// budgets works out the uncertainty of a size of the round, and of the difference of two of them.
// basis is the number of the round.
func (f *Fold) budgets(set *Settings, basis int, readings []analysis.Reading) (size, form uncertainty.Budget, err error) {
	part, err := expansion(f.Job.Material)
	if err != nil {
		return size, form, err
	}
	ring, err := expansion(f.Master.Ring.Material)
	if err != nil {
		return size, form, err
	}
	d := set.Doubt
	repeat, known := f.Repeatability(&set.Gauge)
	bases := maps.Clone(set.Bases)
	if bases == nil {
		bases = map[string]uncertainty.Basis{}
	}
	bases[uncertainty.ComponentRepeat] = known
	in := uncertainty.BoreInput{
		Size: f.Job.Target, RingU: f.Master.Ring.U, Repeat: repeat, Readings: 1, Master: f.Master.Of, Capture: capturedU(readings),
		Drift: d.Drift, Contact: d.Contact, Resolution: set.Gauge.Step, Ring: ring, Part: part,
		RingFrom20: d.RingFrom20, RingWithin: d.RingWithin, PartWithin: d.PartWithin,
		Bases: bases,
	}
	var between uncertainty.Averaging
	in.Averaging, between = f.averaging(set, basis)
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
	cooling := f.excessU(basis)
	in.Cooling = cooling
	f.temperatures(&in, cooling > 0)
	if size, err = uncertainty.Bore(in); err != nil {
		return size, form, err
	}
	form, err = uncertainty.Difference(uncertainty.DifferenceInput{
		Size: f.Job.Target, Repeat: repeat, Readings: 1, Resolution: set.Gauge.Step, Part: part,
		Averaging: between, Bases: bases, Cooling: cooling, GainU: in.GainU, Apart: widest(readings),
	})
	return size, form, err
}

// temperatures puts into a budget what is known of the temperatures. The cooling tells how far the
// part is above its surroundings, but not how far the ring is from them, so that this uncertainty
// stays.
func (f *Fold) temperatures(in *uncertainty.BoreInput, cooled bool) {
	if f.RingAtZero == nil {
		return
	}
	var part analysis.Temperature
	within := thermometer
	switch t := f.surroundings(); {
	case f.Warm.Part != nil && !cooled: // measured, and corrected for
		part = *f.Warm.Part
	case cooled && t != nil:
		part, within = *t, max(thermometer, in.PartWithin)
	default:
		return
	}
	in.Bases[uncertainty.ComponentFrom20] = uncertainty.ByMeasurement
	if !cooled || within == thermometer {
		in.Bases[uncertainty.ComponentApart] = uncertainty.ByMeasurement
	}
	in.RingFrom20, in.RingWithin = *f.RingAtZero-analysis.Reference, thermometer
	in.PartFromRing, in.PartWithin = part-*f.RingAtZero, within
}

// excessU returns the largest standard uncertainty of the cooling correction among the readings of
// a round that count.
func (f *Fold) excessU(round int) (u analysis.Deviation) {
	for _, r := range f.During(round) {
		if f.Counts(r) {
			u = max(u, r.ExcessU)
		}
	}
	return u
}

// widest returns the largest difference of two sizes.
func widest(readings []analysis.Reading) analysis.Length {
	lo, hi := readings[0].Size, readings[0].Size
	for _, r := range readings {
		lo, hi = min(lo, r.Size), max(hi, r.Size)
	}
	return hi - lo
}

// expansion returns the expansion of a material. A material that is not stated is steel, as rings
// are.
func expansion(name string) (uncertainty.Expansion, error) {
	m, err := material.Find(cmp.Or(name, "steel"))
	return uncertainty.Expansion{Alpha: m.Alpha, U: m.AlphaU}, err
}
