package daemon

import (
	"testing"

	"fairbore/daemon/event"
)

// TestTwoWaitForOneAction checks that two callers who ask for the same action are both told when it
// is on disk, and that nothing is kept of them afterwards.
func TestTwoWaitForOneAction(t *testing.T) {
	var p pendingActions
	first, shared := p.add("a")
	if shared {
		t.Error("the first shares")
	}
	second, shared := p.add("a")
	if !shared {
		t.Error("the second does not know of the first")
	}
	other, _ := p.add("b")
	p.remove("a") // the first caller gives up
	record := event.Record{Event: event.Event{Command: "a"}}
	p.committed([]event.Record{record, record}) // an action may have two events
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
	p.remove("a")
	p.remove("b")
	if len(p.by) > 0 {
		t.Errorf("%d are kept", len(p.by))
	}
}
