package session

import (
	"maps"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// The readings that count in a round are those that a look at all of them
// finds, also after the oldest have been forgotten.
func TestCurrentEqualsLookingAtAll(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		f := state.Fold{MaxReadings: state.MaxHeld, Job: sleeve(), Part: &event.Part{Serial: "0001"}}
		plan := f.Job.Plan()
		no := 0
		rounds := rapid.SliceOfN(rapid.IntRange(0, 9), 1, 8).Draw(rt, "readings in each round")
		long := rapid.SampledFrom([]int{0, 0, 0, 0, 0, 0, 0, 0, 0, state.MaxHeld}).Draw(rt, "long round")
		rounds = append(rounds, long, 3)
		for n, readings := range rounds {
			if n > 0 {
				f.Apply(&event.Event{Kind: event.RoundOver, Round: &event.Round{Number: n}})
			}
			for range readings {
				no++
				r := &event.Reading{No: no, Mastered: 1}
				r.Place, r.Round = plan[no%len(plan)], f.Round()
				f.Apply(&event.Event{Kind: event.Taken, Reading: r})
				if no%5 == 0 {
					f.Apply(&event.Event{Kind: event.Voided, Void: &event.Void{No: no}})
				}
			}
		}
		for n := range len(rounds) + 1 {
			want := map[analysis.Place]*event.Reading{}
			for _, r := range f.Readings {
				if r.Round == n && f.Counts(r) {
					want[r.Place] = r
				}
			}
			if got := f.Current(n); !maps.Equal(got, want) {
				rt.Fatalf("round %d: %v, want %v", n, got, want)
			}
		}
	})
}

// A state that was told stays as it is while the mastering goes on: others read
// it meanwhile.
func TestBoreKeepsItsMastering(t *testing.T) {
	b := newBench(t, testSettings())
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "master"})
	b.wait(time.Second)
	b.send("31.7497")
	told := b.bore()
	b.wait(time.Second)
	b.send("31.7498")
	if n := len(told.Master.Running.Raw); n != 1 {
		t.Errorf("the state told after 1 reading of the ring now has %d", n)
	}
	if n := len(b.bore().Master.Running.Raw); n != 2 {
		t.Errorf("%d readings of the ring, want 2", n)
	}
}
