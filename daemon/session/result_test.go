package session

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
)

// deciding is a session with what the daemon reads from the journal for it.
type deciding struct {
	*bench
}

// standing returns the number and the result that stands of each part, by how many were begun.
func (d *deciding) standing() (by map[int]*event.Standing, given map[int]int) {
	by, given = map[int]*event.Standing{}, map[int]int{}
	for i := range d.all {
		if v := d.all[i].Verdict; v != nil {
			by[v.Begun] = &event.Standing{Seq: uint64(i + 1), Verdict: v}
			given[v.Begun]++
		}
	}
	return by, given
}

// Whatever is decided, in whatever order and with numbers that are old, forged or of another part:
// one result of each part stands, each of them names the one before it, and none is lost. A session
// rebuilt from the events goes on in the same way.
func TestOneResultStands(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		d := &deciding{gauged(t, guarded(verdict.Simple), "31.7513", "31.7513", "31.7513", "31.7513", "31.7513", "31.7513")}
		d.must(event.Action{Do: "accept"})
		for range rapid.IntRange(1, 25).Draw(rt, "actions") {
			by, given := d.standing()
			begun := rapid.IntRange(1, d.Fold().PartsBegun).Draw(rt, "begun")
			now := by[begun]
			a := event.Action{Do: "disposition", Outcome: rapid.SampledFrom(event.Outcomes()).Draw(rt, "outcome"), Reason: "so"}
			if a.Outcome == event.Conceded {
				a.Number, a.GrantedBy = "7", "design"
			}
			forged := false
			switch how := rapid.SampledFrom([]string{"first", "part", "supersede", "forged"}).Draw(rt, "how"); {
			case how == "part":
				a = event.Action{Do: "part", Confirm: true}
			case how == "first" || now == nil:
			default:
				a.Supersedes, a.Job, a.Part, a.Standing = now.Seq, "J-4112", now.Verdict.Part, now
				if forged = how == "forged"; forged {
					a.Supersedes += uint64(rapid.IntRange(1, 9).Draw(rt, "off"))
				}
			}
			a.ID = fmt.Sprint("id", len(d.all))
			finished := d.Fold().Verdict != nil
			reply := d.do(a)
			made := 0
			for i := range d.last {
				if d.last[i].Verdict != nil {
					made++
				}
			}
			switch {
			case made > 1, made > 0 != (reply.Done && a.Do != "part"):
				rt.Fatalf("%+v made %d results: %+v", a, made, reply)
			case made == 1 && (forged || a.Supersedes == 0 && finished):
				rt.Fatalf("%+v was done", a)
			}
			if before := len(d.all); reply.Done {
				if d.do(a); len(d.all) != before {
					rt.Fatalf("%+v came twice and was done twice", a)
				}
			}
			after, count := d.standing()
			if made == 1 && a.Supersedes != 0 && (after[begun].Verdict.Supersedes != now.Seq || count[begun] != given[begun]+1 || after[begun].Verdict.Smallest != now.Verdict.Smallest) {
				rt.Fatalf("%+v: %+v stands, %d results", a, after[begun].Verdict, count[begun])
			}
			for n, s := range after {
				if f := d.Fold(); f.Part != nil && f.Part.Begun == n && f.Verdict != s.Verdict {
					rt.Fatalf("part in hand %d: %+v, want %+v", n, f.Verdict, s.Verdict)
				}
				for _, v := range d.Fold().Lot {
					if v.Begun == n && v != s.Verdict {
						rt.Fatalf("lot %d: %+v, want %+v", n, v, s.Verdict)
					}
				}
			}
			if rapid.IntRange(0, 4).Draw(rt, "restart") == 0 {
				d.bench = d.rebuilt()
			}
		}
	})
}

// What each outcome needs: a reason, and a concession a number, a name and a part outside its
// limits.
func TestOutcomes(t *testing.T) {
	over := func() *bench {
		return gauged(t, guarded(verdict.Simple), "31.7540", "31.7540", "31.7540", "31.7540", "31.7540", "31.7540")
	}
	in := func() *bench {
		return gauged(t, guarded(verdict.Simple), "31.7513", "31.7513", "31.7513", "31.7513", "31.7513", "31.7513")
	}
	none := func() *bench { return gauged(t, guarded(verdict.Simple)) }
	granted := event.Action{Outcome: event.Conceded, Reason: "r", Number: "C-1", GrantedBy: "design"}
	for _, c := range []struct {
		b    *bench
		a    event.Action
		code string
	}{
		{over(), granted, ""},
		{in(), granted, "action.concession.state"},
		{none(), granted, "action.no_part"},
		{over(), event.Action{Outcome: event.Conceded, Reason: "r", Number: "C-1"}, "action.concession.number"},
		{over(), event.Action{Outcome: event.Conceded, Reason: "r", GrantedBy: "design"}, "action.concession.number"},
		{over(), event.Action{Outcome: event.Scrapped, Reason: "r", Number: "C-1"}, "action.concession.only"},
		{over(), event.Action{Outcome: event.Scrapped}, "action.result.reason"},
		{over(), event.Action{Outcome: event.Scrapped, Reason: "  "}, "action.result.reason"},
		{over(), event.Action{Outcome: "binned", Reason: "r"}, "action.result.outcome"},
		{over(), event.Action{Reason: "r"}, "action.result.outcome"},
		{over(), event.Action{Outcome: event.IsAccepted}, "action.accept.state"},
		{in(), event.Action{Outcome: event.IsAccepted}, ""},
		{in(), event.Action{Outcome: event.OnHold, Reason: "scratched"}, ""},
		{over(), event.Action{Outcome: event.Scrapped, Reason: "r", Part: "0009", Job: "J-4112"}, "action.result.other_part"},
		{over(), event.Action{Outcome: event.Scrapped, Reason: "r", Part: "0001", Job: "J-4112", Supersedes: 3}, "action.supersede.none"},
	} {
		c.a.Do = "disposition"
		r := c.b.do(c.a)
		if r.Done != (c.code == "") || r.Why.Code != c.code {
			t.Errorf("%+v: %+v, want %q", c.a, r, c.code)
		}
		if v := c.b.Fold().Verdict; r.Done && (v == nil || v.Outcome != c.a.Outcome || v.Number != c.a.Number || v.GrantedBy != c.a.GrantedBy || v.Begun != 1) {
			t.Errorf("%+v: %+v", c.a, v)
		}
	}
}

// A part on which something else is decided first is not accepted afterwards without what its
// acceptance needed. What is missing stays in the result, and in those that supersede it.
func TestNoWayRoundWhatIsMissing(t *testing.T) {
	in := func(wait time.Duration) (*bench, event.Action) {
		b := gauged(t, guarded(verdict.Simple), "31.7513", "31.7513", "31.7513", "31.7513", "31.7513", "31.7513")
		b.wait(wait)
		b.must(event.Action{Do: "disposition", Outcome: event.OnHold, Reason: "later"})
		return b, event.Action{Do: "accept", Reason: "fine", Supersedes: 9, Job: "J-4112", Part: "0001"}
	}
	b, a := in(0)
	if a.Standing = (&event.Standing{Seq: 9, Verdict: b.Fold().Verdict}); !b.do(a).Done {
		t.Error("a part of which nothing is missing is not accepted")
	}
	b, a = in(15 * time.Minute)
	rework := a
	rework.Do, rework.Outcome, rework.Standing = "disposition", event.ToRework, &event.Standing{Seq: 9, Verdict: b.Fold().Verdict}
	b.must(rework)
	a.Supersedes, a.Standing = 10, &event.Standing{Seq: 10, Verdict: b.Fold().Verdict}
	if r := b.do(a); r.Done || coded(r.Why) != "⟦action.supersede.missing 0001 ⟦master.check_due 16 min 6⟧⟧" {
		t.Errorf("with a check of the zero due: %+v", r)
	}
}
