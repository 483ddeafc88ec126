package session

import (
	"math"
	"reflect"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

func soft(material string, change func(*state.GaugeSettings)) state.Settings {
	set := guarded(verdict.Expanded)
	set.Gauge.Tip = 2 * analysis.Millimetre
	set.Jobs["J-4112"].Material = material
	if change != nil {
		change(&set.Gauge)
	}
	return set
}

// halfWidth is that of the line of the indentation, in µm.
func halfWidth(b *bench) float64 {
	for _, l := range b.bore().Budget.Components {
		if l.Name == uncertainty.ComponentIndentation {
			return l.HalfWidth
		}
	}
	return 0
}

// Tips sink in deeper in a soft part than in the steel ring: about 0.18 µm in bronze
// and 0.33 µm in aluminium for tips of 2 mm at 1 N (a worked example of the trade). It
// is a line of the budget, and the size stays as gauged.
func TestSoftPartWidensTheBudget(t *testing.T) {
	for material, want := range map[string]float64{"tool steel": 0, "leaded bronze": 0.18, "aluminium": 0.33} {
		b := gauged(t, soft(material, nil), "31.7513")
		if got := halfWidth(b); math.Abs(got-want) > 0.03 || b.bore().Sizes.Largest.Size != lengthOf("31.7510 mm") {
			t.Errorf("%s: ± %.3f µm, want %.2f; size %s", material, got, want, b.bore().Sizes.Largest.Size)
		}
	}
}

// Switched on, the correction takes off what the line of the budget was, and the line
// keeps what it leaves: the force is known from 0.5 to 2 N only, which is + 59 % at most
// (2^⅔, Hertz), or within 10 %, + 6.6 %, and the elastic constants leave 10 %.
func TestIndentationIsCorrectedIfWanted(t *testing.T) {
	for _, c := range []struct {
		material string
		force    float64
		larger   float64 // µm
		left     float64 // of it
	}{
		{"aluminium", 0, 0.33, 0.595},
		{"aluminium", 1, 0.33, 0.1196},
		{"aluminium", 2, 0.52, 0.1196}, // 2^⅔ as deep
		{"leaded bronze", 0, 0.18, 0.595},
	} {
		b := gauged(t, soft(c.material, func(g *state.GaugeSettings) { g.Force, g.CorrectIndentation = c.force, true }), "31.7513")
		r := b.Fold().Newest()
		taken := -analysis.Length(r.Indentation).Micrometres()
		if math.Abs(taken-c.larger) > 0.03 {
			t.Errorf("%s at %v N: %.3f µm taken off, want %.2f", c.material, c.force, taken, c.larger)
		}
		if r.Size != r.Raw+analysis.Length(r.Zero+r.Thermal+r.Indentation) || r.Deviation != analysis.Deviation(r.Size-b.Fold().Job.Target) {
			t.Errorf("%s: the size is not the sum of its parts: %+v", c.material, r)
		}
		if left := halfWidth(b); math.Abs(left-c.left*taken) > 0.001 {
			t.Errorf("%s at %v N: ± %.4f µm left in the budget, want %.4f", c.material, c.force, left, c.left*taken)
		}
	}
	if r := gauged(t, soft("tool steel", func(g *state.GaugeSettings) { g.CorrectIndentation = true }), "31.7513").Fold().Newest(); r.Indentation != 0 {
		t.Errorf("a steel part against a steel ring: %v", r.Indentation)
	}
}

// A round that was gauged in part before the correction was switched on keeps the whole
// of it in the budget, and no reading is changed.
func TestIndentationOfAMixedRound(t *testing.T) {
	b := gauged(t, soft("aluminium", nil), "31.7513")
	whole, first := halfWidth(b), *b.Fold().Newest()
	b.keep(b.Configure(b.now, soft("aluminium", func(g *state.GaugeSettings) { g.CorrectIndentation = true })))
	b.send("31.7513")
	if got := halfWidth(b); got != whole || b.Fold().Newest().Indentation == 0 {
		t.Errorf("± %.3f µm, want %.3f as before", got, whole)
	}
	if !reflect.DeepEqual(*b.Fold().Readings[0], first) {
		t.Error("the reading before was changed")
	}
	b.must(event.Action{Do: "round"})
	b.send("31.7513")
	if got := halfWidth(b); got >= whole {
		t.Errorf("± %.3f µm in a round that is corrected throughout", got)
	}
}
