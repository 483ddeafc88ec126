package session

import (
	"testing"

	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
)

// accepted is the sleeve accepted with no look at the ring after its last reading.
func accepted(t *testing.T) *bench {
	set := guarded(verdict.Simple)
	set.Master.Lapse.Fresh, set.Master.Lapse.FreshReadings = 0, 0
	b := gauged(t, set, "31.7513", "31.7513", "31.7513", "31.7513", "31.7513", "31.7513")
	if m := b.bore().Master; !m.CheckAfter.IsZero() || m.Doubted {
		t.Errorf("before the verdict: %+v", m)
	}
	b.must(event.Action{Do: "accept"})
	return b
}

func (b *bench) check(shown string) {
	b.t.Helper()
	b.must(event.Action{Do: "check"})
	for range 3 {
		b.send(shown)
	}
}

// The verdict is final when the ring still reads true after the last reading.
func TestCheckAfterAcceptance(t *testing.T) {
	b := accepted(t)
	if m := b.bore().Master; coded(m.CheckAfter) != "⟦master.check_after 0001⟧" || m.Doubted {
		t.Errorf("after the verdict: %+v", m)
	}
	b.check("31.75005")
	if m := b.bore().Master; !m.CheckAfter.IsZero() || m.Doubted {
		t.Errorf("after a good check: %+v", m)
	}
	b.check("31.75050") // since the good one nothing of the part was gauged
	if m := b.bore().Master; !m.CheckAfter.IsZero() || m.Doubted {
		t.Errorf("a failed check after a good one: %+v", m)
	}
}

// One that fails puts the accepted part in doubt, and a mastering does not take that back.
func TestFailedCheckAfterAcceptance(t *testing.T) {
	b := accepted(t)
	b.check("31.75050")
	c := b.last[len(b.last)-1].Check
	if c == nil || c.Good || len(c.Doubt.Parts) != 1 || c.Doubt.Parts[0] != "0001" || c.Doubt.Readings != 6 {
		t.Fatalf("check %+v", c)
	}
	for range 2 {
		if g := b.bore(); !g.Master.Doubted || !g.Master.CheckAfter.IsZero() || g.Verdict == nil || !g.Verdict.Accepted() {
			t.Errorf("in doubt: %+v, verdict %+v", g.Master, g.Verdict)
		}
		b.must(event.Action{Do: "master"})
		for range 3 {
			b.send("31.75050")
		}
	}
}

// What a check put in doubt before the verdict, and was gauged again, is no doubt of that.
func TestDoubtBeforeAcceptance(t *testing.T) {
	set := guarded(verdict.Simple)
	set.Master.Lapse.Fresh, set.Master.Lapse.FreshReadings = 0, 0
	b := gauged(t, set, "31.7513", "31.7513")
	b.check("31.75050")
	b.must(event.Action{Do: "master"})
	for range 3 {
		b.send("31.75050")
	}
	for range 6 {
		b.send("31.7515")
	}
	b.must(event.Action{Do: "accept"})
	if m := b.bore().Master; m.Doubted || m.CheckAfter.IsZero() || len(b.Fold().Doubtful) != 2 {
		t.Errorf("%+v, %d in doubt", m, len(b.Fold().Doubtful))
	}
}

// A part that was laid aside needs no check after.
func TestNoCheckAfterLayingAside(t *testing.T) {
	b := gauged(t, guarded(verdict.Simple), "31.7513")
	b.must(event.Action{Do: "disposition", Outcome: event.OnHold, Reason: "scratched"})
	if m := b.bore().Master; !m.CheckAfter.IsZero() {
		t.Errorf("%+v", m)
	}
}
