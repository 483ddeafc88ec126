package session

import (
	"strings"
	"testing"
)

// A job entered at the machine is worked to like one of the configuration, and a
// session rebuilt from the journal has it.
func TestJobEnteredAtTheMachine(t *testing.T) {
	b := newBench(t, testSettings())
	job := sleeve()
	job.ID, job.Material = "J-9001", "tool steel"
	b.must(Action{Do: "job", Spec: job})
	b.master()
	b.send("31.7513")
	again := New(b.set, records(b.all))
	if j := again.Fold().Job; j == nil || j.ID != "J-9001" || j.Low != job.Low {
		t.Errorf("after a restart the job is %+v", j)
	}
	bad := sleeve()
	bad.Material, bad.Ring, bad.Sections = "wood", "R-9", nil
	r := b.do(Action{Do: "job", Spec: bad, Confirm: true})
	if r.Done {
		t.Fatal("a job with four faults was taken")
	}
	for _, want := range []string{"wood", "R-9", "sections", "another name"} {
		if !strings.Contains(r.Why, want) {
			t.Errorf("%s is not reported: %s", want, r.Why)
		}
	}
}
