package daemon

import (
	"testing"

	"fairbore/daemon/event"
)

// An action that waits for the disk is kept until its commit, whoever gives up meanwhile. Everybody
// who waits is told then, and nothing is kept afterwards.
func TestActionsAreKeptUntilTheirCommit(t *testing.T) {
	var p pendingActions
	a := event.Event{Station: "bay2", Command: "a"}
	p.begin([]event.Event{a, a, {Station: "bay2"}}) // an action may have two events, and others have no id
	p.begin([]event.Event{{Station: "bay2", Command: "b"}, {Station: "bay3", Command: "a"}})
	first, second, other := p.recorded("bay2", "a"), p.recorded("bay2", "a"), p.recorded("bay3", "a")
	told := 0
	p.then("bay2", "a", func() { told++ })
	if first == nil || first != second || other == nil || first == other || told > 0 || p.recorded("bay2", "") != nil {
		t.Fatalf("waiting: %v, %v, %v; told %d", first, second, other, told)
	}
	p.committed([]event.Record{{Event: a}, {Event: a}, {Event: event.Event{Station: "bay9", Command: "b"}}})
	select {
	case <-first:
	default:
		t.Error("nobody was told")
	}
	select {
	case <-other:
		t.Error("the action of another station was told")
	default:
	}
	if p.recorded("bay2", "a") != nil || told != 1 {
		t.Errorf("still kept, or told %d times", told)
	}
	if p.then("bay2", "a", func() { told++ }); told != 2 {
		t.Errorf("told %d times: what is on disk already was not told", told)
	}
	p.committed([]event.Record{{Event: event.Event{Station: "bay2", Command: "b"}}, {Event: event.Event{Station: "bay3", Command: "a"}}})
	if len(p.by) > 0 {
		t.Errorf("%d are kept", len(p.by))
	}
}
