package session

import (
	"math"
	"strings"
	"testing"
	"unicode"

	"fairbore/daemon/event"
)

// Text that would act where it is shown, on a terminal or by turning the direction
// of writing, is refused and nothing of it is kept; a reason typed in lines is one
// line.
func TestTextThatActsIsRefused(t *testing.T) {
	b := newBench(t, testSettings())
	b.must(event.Action{Do: "job", Job: "J-4112"})
	for _, evil := range []string{"a\x00b", "a\x1b]0;owned\x07", "a\x1b[31m", "\u009b31m", "12\u202e34", "12\u2066 34", "a\u2028b", "a\x7fb", "a\vb", "a\xffb"} {
		for _, a := range []event.Action{
			{Do: "part", Part: evil, Confirm: true}, {Do: "note", Reason: evil}, {Do: "note", Reason: "n", ID: evil},
			{Do: "bumped", Reason: evil}, {Do: "disposition", Outcome: event.OnHold, Reason: evil},
		} {
			if events, r := b.Act(b.now, a); r.Done || len(events) > 0 || r.Why.Code != "action.unprintable" {
				t.Errorf("%s %q %q: %+v, %d events", a.Do, a.Part, a.Reason, r, len(events))
			} else if strings.ContainsFunc(coded(r.Why)+r.Why.Text, unicode.IsControl) {
				t.Errorf("the refusal acts itself: %q", r.Why)
			}
		}
	}
	for _, unseen := range []string{"00\u200b07", "0007\u200d", "\ufeff0007", "00\u00ad07", "00\u200e07", "00\u206007", "00\u00a007", "00\u300007", "00\u316407", "7\ufe0f", "7\U000e0041", "\u2800"} {
		if events, r := b.Act(b.now, event.Action{Do: "part", Part: unseen, Confirm: true}); r.Done || len(events) > 0 || r.Why.Code != "action.unprintable" {
			t.Errorf("%q: %+v, %d events", unseen, r, len(events))
		}
		if events, r := b.Act(b.now, event.Action{Do: "study", StudyRequest: event.StudyRequest{Appraisers: []string{"A", "B" + unseen}}}); r.Done || len(events) > 0 || r.Why.Code != "study.name" {
			t.Errorf("appraiser %q: %+v, %d events", unseen, r, len(events))
		}
	}
	b.must(event.Action{Do: "part", Part: " 0008\u00a0", Confirm: true}) // what surrounds it was meant by nobody
	if got := b.Fold().Part.Serial; got != "0008" {
		t.Errorf("part %q", got)
	}
	for _, plain := range []string{"Ø 31.75 ± 1 µm", "Größe", "部品-7", "<b>&", "=cmd()", "S/N 12 \U0001f527", "-0042"} {
		b.must(event.Action{Do: "part", Part: plain, Confirm: true})
		if got := b.Fold().Part.Serial; got != plain {
			t.Errorf("part %q, want %q", got, plain)
		}
	}
	b.must(event.Action{Do: "note", Reason: "slipped,\r\ntwice\tat least"})
	if note := b.all[len(b.all)-1].Note; note != "slipped, twice at least" {
		t.Errorf("noted %q", note)
	}
}

// A round that nobody can have honed is refused: no sum over rounds may overflow.
func TestRoundThatCannotBe(t *testing.T) {
	b := newBench(t, testSettings())
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "part", Part: "1"})
	for _, a := range []event.Action{
		{Strokes: -1}, {Strokes: math.MaxInt}, {Strokes: mostStrokes + 1}, {Seconds: -1}, {Seconds: 1e308}, {Seconds: math.NaN()}, {Seconds: math.Inf(1)},
	} {
		a.Do, a.Confirm = "round", true
		if events, r := b.Act(b.now, a); r.Done || len(events) > 0 {
			t.Errorf("%d strokes, %g s: taken", a.Strokes, a.Seconds)
		}
	}
	b.must(event.Action{Do: "round", Strokes: 400, Seconds: 600, Confirm: true})
}
