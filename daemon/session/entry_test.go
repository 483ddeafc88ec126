package session

import (
	"slices"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// A job entered at the machine is worked to like one of the configuration, and a
// session rebuilt from the journal has it.
func TestJobEnteredAtTheMachine(t *testing.T) {
	b := newBench(t, testSettings())
	job := sleeve()
	job.ID, job.Material = "J-9001", "tool steel"
	b.must(event.Action{Do: "job", Spec: job})
	b.master()
	b.send("31.7513")
	if n := slices.IndexFunc(b.all, func(e event.Event) bool { return e.Kind == event.JobChosen && e.Entered }); n < 0 {
		t.Error("the journal does not say that the job was entered")
	}
	again := New(b.set, records(b.all))
	if j := again.Fold().Job; j == nil || j.ID != "J-9001" || j.Low != job.Low {
		t.Errorf("after a restart the job is %+v", j)
	}
	bad := sleeve()
	bad.Material, bad.Ring, bad.Sections = "wood", "R-9", nil
	r := b.do(event.Action{Do: "job", Spec: bad, Confirm: true})
	if r.Done {
		t.Fatal("a job with four faults was taken")
	}
	for _, want := range []string{"wood", "R-9", "⟦job.sections_none⟧", "⟦job.id_taken J-4112⟧"} {
		if !strings.Contains(coded(r.Why), want) {
			t.Errorf("%s is not reported: %s", want, r.Why)
		}
	}
}

// A job that nobody could gauge by hand is refused before its places are worked
// out, however it comes.
func TestJobTooLarge(t *testing.T) {
	set := testSettings()
	for what, spoil := range map[string]func(*analysis.Job){
		"sections": func(j *analysis.Job) {
			j.Sections, j.Orientations = make([]analysis.Length, 3000), make([]analysis.Angle, 3000)
		},
		"id":         func(j *analysis.Job) { j.ID = strings.Repeat("x", 65) },
		"title":      func(j *analysis.Job) { j.Title = "two\nlines" },
		"interrupts": func(j *analysis.Job) { j.Interrupts = make([]analysis.Interrupt, 41) },
	} {
		job := sleeve()
		job.ID = "J-9002"
		spoil(job)
		if faults := set.CheckJob(job); len(faults) != 1 || analysis.FaultField(faults[0]) != what {
			t.Errorf("%s: %v", what, faults)
		}
	}
}
