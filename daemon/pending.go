package daemon

import (
	"sync"

	"fairbore/daemon/event"
)

// pendingActions lets those who asked for an action wait until it is on disk. Several may wait for
// one action, since a message may arrive twice.
type pendingActions struct {
	mu sync.Mutex
	by map[string]*pendingAction // by the action's id
}

type pendingAction struct {
	recorded chan struct{}
	n        int // number of waiters
}

// add starts waiting for an action. shared says that somebody else waits for it too.
func (p *pendingActions) add(id string) (recorded <-chan struct{}, shared bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.by == nil {
		p.by = map[string]*pendingAction{}
	}
	x, shared := p.by[id]
	if !shared {
		x = &pendingAction{recorded: make(chan struct{})}
		p.by[id] = x
	}
	x.n++
	return x.recorded, shared
}

// remove ends the waiting.
func (p *pendingActions) remove(id string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if x, ok := p.by[id]; ok {
		if x.n--; x.n == 0 {
			delete(p.by, id)
		}
	}
}

func (p *pendingActions) committed(records []event.Record) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := range records {
		x, ok := p.by[records[i].Command]
		if !ok {
			continue
		}
		select {
		case <-x.recorded: // another event of the same action
		default:
			close(x.recorded)
		}
	}
}
