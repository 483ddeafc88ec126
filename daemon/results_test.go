package daemon_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/store"
)

// finish measures the part in hand, and gives it a result.
func finish(r *daemontest.Rig, shown string, a event.Action) uint64 {
	r.T.Helper()
	for i := range 6 {
		r.Reading(fmt.Sprintf("%s%d", shown, i), i+1)
	}
	if reply := r.Do(a); !reply.Done {
		r.T.Fatalf("%s %s: %s", a.Do, a.Outcome, reply.Why)
	}
	return judged(r, 0)
}

// judged waits until the page shows a result after another one, and returns its number.
func judged(r *daemontest.Rig, after uint64) uint64 {
	r.T.Helper()
	r.Eventually(10*time.Second, "the result", func() bool { return r.Bore().VerdictSeq > after })
	return r.Bore().VerdictSeq
}

// journaled returns the results in the journal, in order.
func journaled(r *daemontest.Rig) (all []event.Record) {
	r.T.Helper()
	j, err := store.View(context.Background(), r.Journal())
	if err != nil {
		r.T.Fatal(err)
	}
	defer j.Close()
	for rec, err := range j.Query(context.Background(), store.Filter{Kinds: []event.Kind{event.Judged, event.Superseded}}) {
		if err != nil {
			r.T.Fatal(err)
		}
		all = append(all, rec)
	}
	return all
}

// A result is superseded by another, of the part in hand and of a part before it, before and after
// a restart; it is never erased, and page and report show both. What is stale, forged or of another
// part is refused with what stands.
func TestResultsAreSuperseded(t *testing.T) {
	r := daemontest.NewRig(t)
	r.Plug()
	r.Start()
	r.Master()
	refused := func(code string, a event.Action) {
		t.Helper()
		if reply := r.Do(a); reply.Done || reply.Why.Code != code {
			t.Errorf("%+v: %+v, want %s", a, reply, code)
		}
	}
	change := func(seq uint64, part string, o event.Outcome) event.Action {
		a := event.Action{Do: "disposition", Outcome: o, Reason: "looked at again", Supersedes: seq, Job: "J-4112", Part: part}
		if o == event.Conceded {
			a.Number, a.GrantedBy = "C-17", "design"
		}
		return a
	}
	refused("action.supersede.none", change(1, "0001", event.Scrapped)) // the part is still in hand, and event 1 no result
	first := finish(r, "31.7515", event.Action{ID: "accept-1", Do: "accept"})
	refused("action.part_judged", event.Action{Do: "accept"})
	refused("action.result.reason", event.Action{Do: "accept", Supersedes: first, Job: "J-4112", Part: "0001"})
	refused("action.concession.state", change(first, "0001", event.Conceded)) // it is in size
	if reply := r.Do(change(first, "0001", event.OnHold)); !reply.Done {
		t.Fatalf("on hold: %s", reply.Why)
	}
	held := judged(r, first)
	if b := r.Bore(); held <= first || b.Verdict.Outcome != event.OnHold || b.Verdict.Supersedes != first {
		t.Fatalf("result %d: %+v", held, b.Verdict)
	}
	if reply := r.Do(event.Action{ID: "accept-1", Do: "accept"}); !reply.Done || len(journaled(r)) != 2 {
		t.Errorf("an action that comes twice: %+v", reply)
	}
	refused("action.supersede.stale", change(first, "0001", event.Scrapped))
	refused("action.supersede.none", change(held+1000, "0001", event.Scrapped))
	refused("action.supersede.none", change(held, "0002", event.Scrapped))
	refused("action.supersede.none", func() event.Action { a := change(held, "0001", event.Scrapped); a.Job = "J-1"; return a }())
	refused("action.too_long", func() event.Action {
		a := change(held, "0001", event.Conceded)
		a.Number = strings.Repeat("9", 65)
		return a
	}())
	refused("action.unprintable", func() event.Action { a := change(held, "0001", event.Conceded); a.GrantedBy = "a\u202eb"; return a }())

	if reply := r.Do(event.Action{Do: "part", Part: "0002"}); !reply.Done {
		t.Fatal(reply.Why)
	}
	r.Eventually(10*time.Second, "the next part", func() bool { return r.Bore().Part.Serial == "0002" })
	finish(r, "31.7540", event.Action{Do: "disposition", Outcome: event.ToRework, Reason: "over at both ends"})
	if b := r.Bore(); b.Verdict.Outcome != event.ToRework {
		t.Fatalf("result %+v", b.Verdict)
	}
	r.Kill()
	r.Start()
	if b := r.Bore(); b.VerdictSeq == 0 || b.Verdict.Outcome != event.ToRework {
		t.Fatalf("after the restart: %d, %+v", b.VerdictSeq, b.Verdict)
	}
	// Two pages look at the same result of a part before, and decide at once.
	var wait sync.WaitGroup
	replies := make([]event.Reply, 8)
	for i := range replies {
		wait.Add(1)
		go func() {
			defer wait.Done()
			replies[i] = r.Do(change(held, "0001", []event.Outcome{event.IsAccepted, event.Conceded}[i%2]))
		}()
	}
	wait.Wait()
	done := 0
	for _, reply := range replies {
		if reply.Done {
			done++
		} else if reply.Why.Code != "action.supersede.stale" && reply.Why.Code != "action.supersede.again" {
			t.Errorf("refused: %s", reply.Why)
		}
	}
	if all := journaled(r); done != 1 || len(all) != 4 || all[3].Verdict.Supersedes != held || all[3].Verdict.Part != "0001" {
		t.Fatalf("%d of %d at once were done: %d results, %+v", done, len(replies), len(all), all[len(all)-1].Verdict)
	}
	if b := r.Bore(); b.Part.Serial != "0002" || b.Verdict.Outcome != event.ToRework {
		t.Errorf("the part in hand is %s, %s", b.Part.Serial, b.Verdict.Outcome)
	}
	if reply := r.Do(event.Action{Do: "part", Part: "0002"}); !reply.Ask {
		t.Errorf("the part in hand again: %+v", reply)
	}
	if reply := r.Do(event.Action{Do: "part", Part: "0002", Confirm: true, PartPapers: analysis.PartPapers{Heat: "H-9"}}); !reply.Done {
		t.Fatal(reply.Why)
	}
	r.Eventually(10*time.Second, "the part to begin again", func() bool { return r.Bore().Verdict == nil })
	again := r.Bore().Part
	if again.Continues == nil || again.Continues.Station != "bay2" || again.Heat != "H-9" {
		t.Errorf("the part that was sent to rework: %+v", again)
	}
	all := journaled(r)
	newest := all[3].Verdict.Outcome
	_, list := r.Get("/history")
	en := notation.Format{}
	for _, want := range []string{en.Text("outcome." + string(newest)), en.Text("page.superseded", 2), en.Text("outcome.rework"), en.Text("outcome.unfinished")} {
		if !strings.Contains(list, want) {
			t.Errorf("the list of parts lacks %q", want)
		}
	}
	code, before := r.Get(fmt.Sprintf("/part/bay2/%d", again.Continues.Seq))
	if code != 200 || !strings.Contains(before, "over at both ends") {
		t.Errorf("%d: its earlier record lacks its result", code)
	}
	r.Stop()
	if code, out := r.Exit("verify", r.Journal()); code != 0 {
		t.Errorf("verify: %d\n%s", code, out)
	}
	_, text := r.Exit("report", r.Journal(), "--part", "0001")
	for _, v := range []*event.Verdict{all[0].Verdict, all[1].Verdict, all[3].Verdict} {
		if !strings.Contains(text, en.Text("outcome."+string(v.Outcome))) {
			t.Errorf("the record of part 0001 lacks %s:\n%s", v.Outcome, text)
		}
	}
	if !strings.Contains(text, strings.ToUpper(en.Text("outcome."+string(newest)))) {
		t.Errorf("the record of part 0001 is not headed %s", newest)
	}
	_, table := r.Exit("report", r.Journal(), "--kind", "lot", "--job", "J-4112", "--format", "csv")
	rows, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	if err != nil || len(rows) != 4 {
		t.Fatalf("%v, %v", rows, err)
	}
	column := func(row int, name string) string {
		for i, n := range rows[0] {
			if n == name {
				return rows[row][i]
			}
		}
		return "no column " + name
	}
	if got := column(1, "outcome"); got != string(newest) {
		t.Errorf("part 0001 counts as %s, want %s", got, newest)
	}
	if got, want := column(1, "results"), fmt.Sprintf("accepted (event %d); on_hold (event %d); %s (event %d)", first, held, newest, all[3].Seq); got != want {
		t.Errorf("results %q, want %q", got, want)
	}
	if column(2, "outcome") != "rework" || column(3, "outcome") != "not finished" || column(3, "heat") != "H-9" {
		t.Errorf("part 0002: %s, then %s", column(2, "outcome"), column(3, "outcome"))
	}
}
