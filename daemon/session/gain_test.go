package session

import (
	"math"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// twoRings is a bench mastered on the first ring, with a second 0.1 mm larger.
func twoRings(t *testing.T) *bench {
	set := guarded(verdict.Simple)
	set.Rings["R-1254"] = &analysis.Ring{ID: "R-1254", Size: lengthOf("31.8497 mm"), U: analysis.Deviation(um / 4)}
	set.Rings["R-NEAR"] = &analysis.Ring{ID: "R-NEAR", Size: lengthOf("31.7517 mm"), U: analysis.Deviation(um / 4)}
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.master() // shows 31.7500 in a ring of 31.7497
	return b
}

func (b *bench) second(shown string) {
	b.t.Helper()
	b.must(event.Action{Do: "master", Ring: "R-1254", Gain: true})
	for range 3 {
		b.send(shown)
	}
}

// A gauge whose scale is 2 % short: 98 µm shown for 100 µm. Worked by hand: at 1.96
// µm above the first ring's value it is 2.00 µm larger (geometry).
func TestSecondRingSetsTheGain(t *testing.T) {
	b := twoRings(t)
	zeroAt := b.Fold().GoodAt
	b.second("31.8480")
	f := b.Fold()
	if m := f.Master; m.Number != 2 || m.Ring.ID != "R-1250" || m.Gain == nil || m.Gain.Ratio != 1.0204082 || m.Gain.By != 2 || m.Gain.Ring.ID != "R-1254" {
		t.Fatalf("second ring: %+v", m)
	}
	if !f.GoodAt.Equal(zeroAt) {
		t.Errorf("the second ring renewed the zero: %s, was %s", f.GoodAt, zeroAt)
	}
	b.send("31.75196")
	r := f.Newest()
	if r == nil || r.Size != lengthOf("31.7517 mm") || r.Size != r.Raw+analysis.Length(r.Zero) || r.Mastered != 2 {
		t.Fatalf("a reading with the gain: %+v", r)
	}
	if g := b.bore().Master; !g.OK || g.Gain != 1.0204082 {
		t.Errorf("state: %+v", g)
	}
	// By hand: the rings leave 0.125 × √2 = 0.177 µm and the scatter 0.15 × √(2/3) = 0.122
	// in 100 µm, 0.215 %; the high limit is 2.84 µm from the first ring.
	if u := budgetLine(b, uncertainty.ComponentGain); math.Abs(u-0.00611) > 0.0001 {
		t.Errorf("the gain leaves %.5f µm in the size, want 0.00611", u)
	}
	// It outlasts a restart and a new mastering on one ring, and ends with a knock.
	b.Session = New(b.set, records(b.all))
	b.master()
	b.send("31.75196")
	if r := b.Fold().Newest(); r.Size != lengthOf("31.7517 mm") || b.Fold().Master.Gain.By != 2 {
		t.Errorf("after a restart and a new mastering: %+v", r)
	}
	b.must(event.Action{Do: "bumped"})
	b.master()
	b.send("31.75196")
	if r := b.Fold().Newest(); r.Size != lengthOf("31.75166 mm") || b.Fold().Master.Gain != nil {
		t.Errorf("after a knock: %+v", r)
	}
}

func TestGainOfASoundGaugeStaysOne(t *testing.T) {
	b := twoRings(t)
	b.second("31.8501") // 0.1 µm of 100, within the rings' uncertainty
	m := b.Fold().Master
	if m.Gain == nil || m.Gain.Used() || m.Number != 2 || b.bore().Master.Gain != 0 {
		t.Fatalf("gain: %+v", m.Gain)
	}
	b.send("31.7520")
	if r := b.Fold().Newest(); r.Size != lengthOf("31.7517 mm") {
		t.Errorf("size %s", r.Size)
	}
	// What it differed by, 0.1 %, is not corrected: √(0.215² + 0.1²) % of 2.84 µm.
	if u := budgetLine(b, uncertainty.ComponentGain); math.Abs(u-0.00674) > 0.0001 {
		t.Errorf("the gain leaves %.5f µm in the size, want 0.00674", u)
	}
	alone := gauged(t, guarded(verdict.Simple), "31.7520")
	if u := budgetLine(alone, uncertainty.ComponentGain); u != 0 {
		t.Errorf("a line of a gain that nothing is known of: %.5f µm", u)
	}
}

// budgetLine is what a line of the budget contributes, in µm, 0 without it.
func budgetLine(b *bench, name string) float64 {
	for _, l := range b.bore().Budget.Components {
		if l.Name == name {
			return analysis.Length(l.Contribution).Micrometres()
		}
	}
	return 0
}

// What a gain leaves in doubt is in a difference as well: by hand, 0.215 % of 10.0 µm.
func TestGainIsInTheBudgetOfForm(t *testing.T) {
	b := twoRings(t)
	b.send("31.7510")
	b.send("31.7608")
	if l := line(b.bore().FormBudget, uncertainty.ComponentGain); l != nil {
		t.Errorf("without a second ring: %+v", l)
	}
	b = twoRings(t)
	b.second("31.8480")
	b.send("31.7510")
	b.send("31.7608")
	l := line(b.bore().FormBudget, uncertainty.ComponentGain)
	if l == nil || math.Abs(analysis.Length(l.Contribution).Micrometres()-0.0215) > 0.0002 {
		t.Errorf("the gain in the budget of a form error: %+v", l)
	}
}

// The zero is that of the first ring at its temperature, whatever was measured between.
func TestGainKeepsTheTemperatureOfTheFirstRing(t *testing.T) {
	b := newBench(t, twoRings(t).set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	cool, warm := 20*analysis.Celsius, 20*analysis.Celsius+analysis.Celsius/2
	b.must(event.Action{Do: "temperature", Warmth: event.Warmth{Ring: &cool}})
	b.master()
	b.must(event.Action{Do: "temperature", Warmth: event.Warmth{Ring: &warm}})
	b.second("31.8480")
	for name, f := range map[string]*state.Fold{"live": b.Fold(), "from the journal": New(b.set, records(b.all)).Fold()} {
		if f.RingAtZero == nil || *f.RingAtZero != cool {
			t.Errorf("%s: the zero was set at %v, want %s", name, f.RingAtZero, cool)
		}
	}
}

func TestGainIsRefused(t *testing.T) {
	b := twoRings(t)
	for _, c := range []struct {
		a   event.Action
		why string
	}{
		{event.Action{Do: "master", Gain: true}, "⟦action.gain.name_ring⟧"},
		{event.Action{Do: "master", Gain: true, Ring: "R-1250"}, "⟦action.gain.same_ring R-1250⟧"},
		{event.Action{Do: "master", Gain: true, Ring: "R-NEAR"}, "⟦master.gain.close 21.5⟧"},
		{event.Action{Do: "check", Gain: true, Ring: "R-1254"}, "⟦action.gain.check⟧"},
	} {
		if r := b.do(c.a); r.Done || coded(r.Why) != c.why {
			t.Errorf("%+v: %s, want %q", c.a, coded(r.Why), c.why)
		}
	}
	b.second("31.8400") // 90 µm for 100 is no gauge
	last := b.last[len(b.last)-1]
	if m := b.Fold().Master; m.Number != 1 || m.Gain != nil || b.Fold().Running != nil {
		t.Errorf("an implausible gain was set: %+v", m)
	}
	if last.Kind != event.Mastering || !last.Master.Broken || coded(last.Master.Why) != "⟦action.gain.not_set ⟦master.gain.unsound 1.1111⟧⟧" {
		t.Errorf("the journal does not say why: %s", coded(last.Master.Why))
	}
	b.send("31.7520")
	if r := b.do(event.Action{Do: "master", Gain: true, Ring: "R-1254"}); r.Done || coded(r.Why) != "⟦action.gain.readings 1 R-1250⟧" {
		t.Errorf("after a reading: %+v", r)
	}
	b.must(event.Action{Do: "bumped"})
	if r := b.do(event.Action{Do: "master", Gain: true, Ring: "R-1254"}); r.Done || !strings.HasPrefix(coded(r.Why), "⟦action.gain.zero ⟦master.disturbed ") {
		t.Errorf("after a knock: %+v", r)
	}
}

// With the sizes engraved on the rings, the entry with the wrong sign is named.
func TestNominalSizesNameTheSlip(t *testing.T) {
	set := guarded(verdict.Simple)
	set.Rings["R-1250"].Size, set.Rings["R-1250"].Nominal = lengthOf("31.7503 mm"), lengthOf("31.75 mm") // certified 31.7497
	set.Rings["R-1250H"] = &analysis.Ring{ID: "R-1250H", Size: lengthOf("31.76004 mm"), Nominal: lengthOf("31.76 mm"), U: analysis.Deviation(um / 4)}
	if c := checkedOnSecond(t, set); c == nil || c.Suspect != analysis.SignOfFirst {
		t.Errorf("second ring: %+v", c)
	}
}
