package daemon

import (
	"sync"

	"fairbore/daemon/event"
)

// pendingActions holds the actions that are carried out but not on disk yet. Whoever asked for one,
// and whoever asks for it again, waits for the same commit. An action stays here until its events
// are on disk, even if nobody waits for it any more.
type pendingActions struct {
	mu sync.Mutex
	by map[actionKey]*pendingAction
}

// actionKey names an action. Two stations may be given the same id.
type actionKey struct{ station, id string }

type pendingAction struct {
	recorded chan struct{} // closed when the action is on disk
	then     []func()      // called when the action is on disk
}

// begin takes in the events of an action, before they are given to the journal.
func (p *pendingActions) begin(events []event.Event) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := range events {
		key := actionKey{events[i].Station, events[i].Command}
		if key.id == "" || p.by[key] != nil {
			continue
		}
		if p.by == nil {
			p.by = map[actionKey]*pendingAction{}
		}
		p.by[key] = &pendingAction{recorded: make(chan struct{})}
	}
}

// recorded returns a channel that is closed when an action is on disk. It returns nil if the action
// does not wait for the disk: it is recorded already, or was not carried out.
func (p *pendingActions) recorded(station, id string) <-chan struct{} {
	p.mu.Lock()
	defer p.mu.Unlock()
	if x := p.by[actionKey{station, id}]; x != nil {
		return x.recorded
	}
	return nil
}

// then has f called when an action is on disk, or at once if the action does not wait for the disk.
// The journal records nothing until f returns.
func (p *pendingActions) then(station, id string, f func()) {
	p.mu.Lock()
	x := p.by[actionKey{station, id}]
	if x != nil {
		x.then = append(x.then, f)
	}
	p.mu.Unlock()
	if x == nil {
		f()
	}
}

// committed takes in records that are now on disk. The events of an action are in one commit.
func (p *pendingActions) committed(records []event.Record) {
	var then []func()
	p.mu.Lock()
	for i := range records {
		key := actionKey{records[i].Station, records[i].Command}
		if x := p.by[key]; x != nil {
			delete(p.by, key)
			close(x.recorded)
			then = append(then, x.then...)
		}
	}
	p.mu.Unlock()
	for _, f := range then {
		f()
	}
}
