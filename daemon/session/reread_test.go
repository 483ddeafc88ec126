package session

import (
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// reread reads the ring three times as a part; it shows 31.7500 when all is well.
func (b *bench) reread(shown string) *event.Rereading {
	b.t.Helper()
	b.must(event.Action{Do: "reread"})
	for range 3 {
		b.send(shown)
	}
	last := b.last[len(b.last)-1]
	if last.Kind != event.Reread || last.Reread == nil {
		b.t.Fatalf("the ring was not re-read: %+v", last)
	}
	return last.Reread
}

// A ring read as a part says what it comes to, and leaves zero, part, and the age of the
// zero as they were.
func TestRereadingLeavesAllAsItWas(t *testing.T) {
	b := gauged(t, guarded(verdict.Simple), "31.7513", "31.7513")
	before := *b.Fold()
	x := b.reread("31.7501") // 0.1 µm large; its readings explain 2 × √(0.15² + 0.1²/12) × √(2/3) = 0.25
	f := b.Fold()
	if !x.Valid || !x.Agrees || !x.Good || x.Doubt != nil || x.Size != lengthOf("31.7498 mm") || x.Error != analysis.Deviation(um/10) || x.N != 3 || x.Ring.ID != "R-1250" {
		t.Errorf("%+v", x)
	}
	if w := analysis.Length(x.Within).Micrometres(); w < 0.249 || w > 0.250 {
		t.Errorf("its readings explain %.4f µm, want 0.2495", w)
	}
	if len(f.Readings) != 2 || f.Part.Count != 1 || f.Master != before.Master || !f.GoodAt.Equal(before.GoodAt) || f.ReadingsSince != 2 || f.Running != nil || f.Failed != nil {
		t.Errorf("the re-reading changed the part or the zero: %+v", f)
	}
	if g := b.bore(); !g.Master.OK || g.Reread != x || g.Sizes.Readings != 2 {
		t.Errorf("state: %+v", g.Master)
	}
	b.must(event.Action{Do: "master"})
	for range 3 {
		b.send("31.7500")
	}
	if b.bore().Reread != nil {
		t.Error("a new zero is told of by the re-reading of the old one")
	}
}

// Off by more than a check allows it is a failed check: what was gauged since the last
// good look is in doubt, after a restart too.
func TestRereadingFarOffIsAFailedCheck(t *testing.T) {
	b := gauged(t, guarded(verdict.Simple), "31.7513", "31.7513")
	x := b.reread("31.75045")
	if x.Agrees || x.Good || x.Doubt == nil || x.Doubt.Readings != 2 || x.Sentence.Code != "master.reread.failed" {
		t.Fatalf("%+v", x)
	}
	for name, f := range map[string]*state.Fold{"live": b.Fold(), "from the journal": New(b.set, records(b.all)).Fold()} {
		if f.Failed == nil || len(f.Doubtful) != 2 || f.Failed.Error != x.Error {
			t.Errorf("%s: failed %+v, %d in doubt", name, f.Failed, len(f.Doubtful))
		}
	}
	if g := b.bore(); g.State != event.NotMastered || g.Places[0].State != "stale" {
		t.Errorf("state %s, first place %s", g.State, g.Places[0].State)
	}
	b.must(event.Action{Do: "master"})
	for range 3 {
		b.send("31.75045")
	}
	if last := b.last[len(b.last)-1]; last.Kind != event.Reworked || len(last.Rework.Values) != 2 {
		t.Errorf("no new values after the re-mastering: %+v", last)
	}
}

// Beyond what its readings explain, within a check's limit: no reading is in doubt.
func TestRereadingBetween(t *testing.T) {
	set := guarded(verdict.Simple)
	set.Jobs["J-4112"].High = lengthOf("31.755 mm") // a tenth of it is 0.5 µm
	b := gauged(t, set, "31.7513")
	if x := b.reread("31.7504"); x.Agrees || !x.Good || x.Doubt != nil || x.Sentence.Code != "master.reread.check" || len(b.Fold().Doubtful) != 0 {
		t.Errorf("%+v", x)
	}
}

// A ring warmer than at the mastering is larger; as a part it is brought to 20 °C, where
// a check of the zero would find it too large. 11.5 × 10⁻⁶ × 31.75 mm × 1.5 K is 0.55 µm.
func TestRereadingIsCorrectedForTemperature(t *testing.T) {
	b := newBench(t, guarded(verdict.Simple))
	b.must(event.Action{Do: "job", Job: "J-4112"})
	cool, warm := 20*analysis.Celsius, 20*analysis.Celsius+3*analysis.Celsius/2
	b.must(event.Action{Do: "temperature", Warmth: event.Warmth{Ring: &cool}})
	b.master()
	b.must(event.Action{Do: "temperature", Warmth: event.Warmth{Ring: &warm}})
	x := b.reread("31.7505") // in steps of 0.1 µm
	if got := analysis.Length(x.Thermal).Micrometres(); got > -0.54 || got < -0.56 || !x.Agrees {
		t.Errorf("thermal %.4f µm: %+v", got, x)
	}
}

func TestRereadingIsRefused(t *testing.T) {
	b := newBench(t, guarded(verdict.Simple))
	if r := b.do(event.Action{Do: "reread"}); r.Done || r.Why.Code != "action.reread.no_ring" {
		t.Errorf("without a zero: %+v", r)
	}
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.master()
	if r := b.do(event.Action{Do: "reread", Ring: "R-9"}); r.Done || coded(r.Why) != "⟦action.reread.other_ring R-9 R-1250⟧" {
		t.Errorf("another ring: %+v", r)
	}
	if r := b.do(event.Action{Do: "reread", Of: 51}); r.Done || coded(r.Why) != "⟦action.ring_readings 51 3⟧" {
		t.Errorf("51 readings: %+v", r)
	}
	b.must(event.Action{Do: "reread", Of: 1})
	if b.send("31.7500"); b.Fold().LastReread == nil || b.Fold().LastReread.N != 1 {
		t.Errorf("one reading, as of a part: %+v", b.Fold().LastReread)
	}
}
