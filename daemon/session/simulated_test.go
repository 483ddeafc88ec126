package session

import (
	"testing"

	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// What a bore rests on is simulated if the mastering or anything since the part was begun was, and is
// measured again from the next part and the next mastering on.
func TestSimulatedUntilMeasuredAgain(t *testing.T) {
	f := &state.Fold{}
	for i, step := range []struct {
		kind      event.Kind
		simulated bool
		want      bool
	}{
		{event.Started, false, false}, {event.Mastered, true, true}, {event.PartBegun, false, true}, // by its zero
		{event.Mastered, false, false}, {event.NoteAdded, true, true}, {event.NoteAdded, false, true}, // by one event of the part
		{event.PartBegun, false, false}, {event.PartBegun, true, true}, {event.JobChosen, false, false},
	} {
		e := event.Event{Station: "bay2", Kind: step.kind, Simulated: step.simulated, Part: &event.Part{}, Master: &event.Master{}}
		if f.Apply(&e); f.Simulated() != step.want {
			t.Errorf("step %d, %s: %t, want %t", i, step.kind, f.Simulated(), step.want)
		}
	}
}
