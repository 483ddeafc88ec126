package session

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

func studyBench(t testing.TB) *bench {
	b := newBench(t, testSettings())
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "master", Ring: "R-1250"})
	for range 3 {
		b.send("31.7497")
	}
	return b
}

func (b *bench) study() *state.StudyNow { return b.fold.Bore(&b.set, b.now.Wall).Study }

func start(parts, trials int, who ...string) event.Action {
	return event.Action{Do: "study", StudyRequest: event.StudyRequest{Parts: parts, Trials: trials, Appraisers: who}}
}

func asks(who, part string, trial int) event.Action {
	return event.Action{Do: "study", Part: part, StudyRequest: event.StudyRequest{Appraiser: who, Trial: trial}}
}

// Who gauges what is due as the usual order has it: one appraiser each part once, then
// each a second time, then the next appraiser; and each reading says whose it is.
func TestStudyTurns(t *testing.T) {
	b := studyBench(t)
	b.must(start(2, 2, "first  shift", "quality"))
	var got []string
	for range 8 {
		b.send("31.7510")
		r := b.fold.Newest()
		if r.Study == nil {
			t.Fatalf("reading %+v is of no study", r)
		}
		got = append(got, fmt.Sprintf("%s %s %d", r.Study.Appraiser, r.Part, r.Study.Trial))
		now := b.study()
		if now.Taking || now.Wanted != 8 || now.Taken != len(got) {
			t.Fatalf("after %s: %+v", got[len(got)-1], now)
		}
		if now.Next == nil {
			break
		}
		b.must(event.Action{Do: "study"})
	}
	want := []string{
		"first shift 1 1", "first shift 2 1", "first shift 1 2", "first shift 2 2",
		"quality 1 1", "quality 2 1", "quality 1 2", "quality 2 2",
	}
	if !slices.Equal(got, want) {
		t.Errorf("gauged %v, want %v", got, want)
	}
	b.must(event.Action{Do: "study", StudyRequest: event.StudyRequest{Over: true}})
	if b.study() != nil || b.fold.Staying {
		t.Error("the study goes on after it is over")
	}
	b.must(event.Action{Do: "part"})
	b.send("31.7510")
	if b.fold.Newest().Study != nil {
		t.Error("a reading after the study is of it")
	}
}

// What must be refused, and what a person is to do then.
func TestStudyRefuses(t *testing.T) {
	b := studyBench(t)
	refused := func(a event.Action, want string) {
		t.Helper()
		before := len(b.all)
		if r := b.do(a); r.Done || !strings.Contains(coded(r.Why), want) || len(b.all) != before {
			t.Errorf("%+v: %+v, want %q and no event", a, r, want)
		}
	}
	over := event.Action{Do: "study", StudyRequest: event.StudyRequest{Over: true}}
	refused(over, "⟦study.none_to_end⟧")
	refused(asks("a", "", 0), "⟦study.none⟧")
	bounds := "⟦study.bounds 50 10 10⟧"
	refused(start(1, 2, "a"), bounds)
	refused(start(2, 1, "a"), bounds)
	refused(start(2, -1, "a"), bounds)
	refused(start(51, 2, "a"), bounds)
	refused(start(2, 2, "a", " A"), "⟦study.names⟧")
	refused(start(2, 2, "a", " "), "⟦study.names⟧")
	refused(start(2, 2, strings.Repeat("x", 65)), "⟦study.name 64⟧")
	refused(start(2, 2, "a\u202eb"), "⟦study.name 64⟧")
	refused(start(2, 2, "a", "b", "c", "d", "e", "f", "g", "h", "i", "j", "k"), bounds)
	outside := start(2, 2, "a")
	outside.Place = &analysis.Place{Depth: 41 * analysis.Millimetre}
	refused(outside, "⟦action.no_wall 41 mm / 0° groove ")
	b.must(start(2, 2, "a", "b"))
	refused(start(2, 2, "c"), "⟦ask.study_again⟧")
	refused(asks("c", "", 0), "⟦study.no_appraiser c a, b⟧")
	refused(asks("a", "1", 2), "⟦study.trial_first a 1 1⟧")
	refused(asks("a", "1", 3), "⟦study.no_trial 3 2⟧")
	refused(asks("a", "1", -1), "⟦study.no_trial -1 2⟧")
	b.send("31.7510")
	b.must(asks("", "SL-7", 0))
	b.send("31.7510")
	refused(asks("a", "3", 0), "⟦study.beyond 3 2 1, SL-7⟧")
	if r := b.do(event.Action{Do: "part", Part: "900"}); r.Done || !r.Ask || coded(r.Why) != "⟦ask.beyond_study 900 2⟧" {
		t.Errorf("a part that is none of the study: %s", coded(r.Why))
	}
	b.send("31.7511")
	refused(asks("a", "SL-7", 0), "⟦study.all_trials a SL-7 2⟧")
	b.must(event.Action{Do: "study"}) // part 1, trial 2
	b.send("31.7511")
	refused(asks("a", "", 0), "⟦study.all_parts a⟧")
}

// A scanner names the next part; a part that is none of the study lets it rest, and so
// do honing and another job; then it goes on where it was.
func TestStudyRests(t *testing.T) {
	b := studyBench(t)
	b.must(start(2, 2, "a"))
	b.send("31.7510")
	b.must(event.Action{Do: "part", Part: "S2"})
	if now := b.study(); now.Part != "S2" || now.Trial != 1 || !now.Taking {
		t.Errorf("after the next part was scanned: %+v", now)
	}
	b.send("31.7510")
	b.must(event.Action{Do: "part", Part: "900", Confirm: true})
	b.send("31.7510")
	if now := b.study(); now.Appraiser != "" || now.Taken != 2 || b.fold.Newest().Study != nil {
		t.Errorf("with a part beside the study: %+v", now)
	}
	if r := b.do(asks("a", "1", 0)); r.Done || !r.Ask || !strings.Contains(coded(r.Why), "⟦action.open 900⟧") {
		t.Errorf("the study taken up again over a part that is open: %+v", r)
	}
	b.must(event.Action{Do: "disposition", Outcome: event.OnHold, Reason: "damaged"})
	b.must(asks("a", "1", 0))
	b.send("31.7510")
	b.must(event.Action{Do: "round", Strokes: 3})
	b.send("31.7510")
	if now := b.study(); now.Appraiser != "" || now.Taken != 3 || b.fold.Newest().Study != nil {
		t.Errorf("after honing: %+v", now)
	}
	b.must(event.Action{Do: "study", Confirm: true})
	if now := b.study(); now.Part != "S2" || now.Trial != 2 {
		t.Errorf("taken up again: %+v", now)
	}
	b.must(event.Action{Do: "job", Job: "J-4112", Confirm: true})
	if now := b.study(); now.Appraiser != "" || now.Taken != 3 || now.Next == nil || now.Next.Part != "S2" {
		t.Errorf("after the job was chosen: %+v", now)
	}
}

// A study stays open until somebody ends it, which every state of the station says; but
// when nothing came of it for a shift, the next part is taken for it only if that is meant.
func TestStudyStaysOpen(t *testing.T) {
	b := studyBench(t)
	says := func(when string, open bool) {
		t.Helper()
		said := slices.Contains(allCoded(b.bore().Cautions), "⟦caution.study_since 2026-11-25 08:00⟧")
		if said != open || (b.study() != nil) != open {
			t.Errorf("%s: %q, want it to be open: %v", when, b.bore().Cautions, open)
		}
	}
	says("before", false)
	b.must(start(2, 2, "a"))
	says("at the start", true)
	b.wait(studyIdle - time.Minute)
	b.must(event.Action{Do: "part"}) // the next of the study is taken as ever
	b.wait(studyIdle)
	before := len(b.all)
	if r := b.do(event.Action{Do: "part"}); r.Done || !r.Ask || !strings.HasPrefix(coded(r.Why), "⟦ask.study_idle 2026-11-25 15:5") || len(b.all) != before {
		t.Errorf("a part, a shift after the last turn: %+v", r)
	}
	says("the next day", true)
	b.must(event.Action{Do: "part", Confirm: true})
	if now := b.study(); !now.Taking {
		t.Errorf("after it was meant: %+v", now)
	}
	b.wait(studyIdle - time.Minute)
	b.must(event.Action{Do: "master", Ring: "R-1250"})
	for range 3 {
		b.send("31.7497")
	}
	b.send("31.7510")
	if b.fold.Newest().Study == nil {
		t.Fatal("the reading is of no study")
	}
	b.wait(2 * time.Minute)
	b.must(event.Action{Do: "part"}) // it went on with the reading
	b.wait(studyIdle)
	b.must(event.Action{Do: "study"}) // which says that it is meant
	b.must(event.Action{Do: "job", Job: "J-4112", Confirm: true})
	b.wait(studyIdle)
	b.must(event.Action{Do: "part"}) // of no study, as that rests
	says("at rest", true)
	b.must(event.Action{Do: "study", StudyRequest: event.StudyRequest{Over: true}})
	says("at the end", false)
}

// A reading that is struck out is due again; one more than is wanted, one elsewhere and
// one without a zero are of no study; and a trial that is named is gauged again.
func TestStudyReadings(t *testing.T) {
	b := studyBench(t)
	b.must(start(2, 2, "a", "b"))
	b.send("31.7510")
	b.must(event.Action{Do: "void", Reason: "dirt"})
	if now := b.study(); now.Taken != 0 || !now.Taking {
		t.Errorf("after it was struck out: %+v", now)
	}
	b.send("31.7511")
	b.send("31.7512")
	b.send("31.7513")
	var tags []string
	for _, r := range b.fold.Readings {
		tags = append(tags, fmt.Sprint(r.Study))
	}
	if tags[0] != "&{a 1}" || tags[1] != "&{a 1}" || tags[2] != "&{a 2}" || tags[3] != "<nil>" {
		t.Errorf("readings are of %v", tags)
	}
	b.must(asks("b", "1", 0)) // the same part, in his hand now
	b.must(asks("a", "1", 1))
	b.send("31.7514")
	if r := b.fold.Newest(); r.Study == nil || *r.Study != (event.StudyTrial{Appraiser: "a", Trial: 1}) {
		t.Errorf("gauged again: %+v", r.Study)
	}
	place := sleeve().Plan()[1]
	b.must(asks("b", "1", 0))
	b.must(event.Action{Do: "position", Place: &place})
	b.send("31.7514")
	if b.fold.Newest().Study != nil || !b.study().Taking {
		t.Error("a reading elsewhere is of the study")
	}
	without := newBench(t, testSettings())
	without.must(event.Action{Do: "job", Job: "J-4112"})
	without.must(start(2, 2, "a"))
	without.send("31.7510")
	if r := without.fold.Newest(); r == nil || r.Study != nil {
		t.Errorf("a reading without a zero: %+v", r)
	}
}

// Whatever is done, what a study says of itself is what its readings say.
func TestStudyCountsItsReadings(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := studyBench(t)
		b.must(start(rapid.IntRange(2, 3).Draw(rt, "parts"), 2, "a", "b"))
		for range rapid.IntRange(1, 25).Draw(rt, "steps") {
			who := rapid.SampledFrom([]string{"", "a", "b"}).Draw(rt, "who")
			switch rapid.IntRange(0, 6).Draw(rt, "step") {
			case 0, 1:
				b.do(event.Action{Do: "study"})
			case 2:
				b.do(asks(who, rapid.SampledFrom([]string{"", "1", "2", "S"}).Draw(rt, "part"), rapid.IntRange(0, 2).Draw(rt, "trial")))
			case 3:
				b.do(event.Action{Do: "part", Part: rapid.SampledFrom([]string{"", "900"}).Draw(rt, "serial"), Confirm: true})
			default:
				b.send("31.7510")
			}
		}
		cells := map[[2]string]map[int]bool{}
		for i := range b.all {
			if r := b.all[i].Reading; r != nil && r.Study != nil {
				c := [2]string{r.Part, r.Study.Appraiser}
				if cells[c] == nil {
					cells[c] = map[int]bool{}
				}
				cells[c][r.Study.Trial] = true
			}
		}
		total, parts := 0, map[string]bool{}
		for c, trials := range cells {
			total += len(trials)
			parts[c[0]] = true
		}
		now := b.study()
		then := total // once the turn is gauged, which may be for the second time
		if now.Taking && !cells[[2]string{now.Part, now.Appraiser}][now.Trial] {
			then++
		}
		if now.Taken != total || len(now.Done) != len(parts) || len(parts) > now.Parts || total > now.Wanted || (now.Next == nil) != (then == now.Wanted) {
			rt.Fatalf("says %+v, its readings are %v", now, cells)
		}
	})
}
