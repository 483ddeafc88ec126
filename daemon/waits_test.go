package daemon

import (
	"testing"

	"fairbore/daemon/event"
)

// Two who ask for the same action are both told when it is on disk, and nothing is
// kept of them after.
func TestTwoWaitForOneAction(t *testing.T) {
	var w waits
	first, shared := w.add("a")
	if shared {
		t.Error("the first shares")
	}
	second, shared := w.add("a")
	if !shared {
		t.Error("the second does not know of the first")
	}
	other, _ := w.add("b")
	w.remove("a") // the first gives up
	record := event.Record{Event: event.Event{Command: "a"}}
	w.committed([]event.Record{record, record}) // an action may have two events
	for i, c := range []<-chan struct{}{first, second} {
		select {
		case <-c:
		default:
			t.Errorf("waiter %d was not told", i)
		}
	}
	select {
	case <-other:
		t.Error("another action was told")
	default:
	}
	w.remove("a")
	w.remove("b")
	if len(w.by) > 0 {
		t.Errorf("%d are kept", len(w.by))
	}
}
