package daemon

import (
	"sync"

	"fairbore/daemon/event"
)

// waits lets those who asked for an action wait until it is on disk. Several may
// ask for the same, since a message may come twice.
type waits struct {
	mu sync.Mutex
	by map[string]*wait // by the action's id
}

type wait struct {
	recorded chan struct{}
	n        int // who wait
}

// add begins to wait for an action. shared says that somebody else waits for it.
func (w *waits) add(id string) (recorded <-chan struct{}, shared bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.by == nil {
		w.by = map[string]*wait{}
	}
	x, shared := w.by[id]
	if !shared {
		x = &wait{recorded: make(chan struct{})}
		w.by[id] = x
	}
	x.n++
	return x.recorded, shared
}

// remove ends the waiting that add began.
func (w *waits) remove(id string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if x, ok := w.by[id]; ok {
		if x.n--; x.n == 0 {
			delete(w.by, id)
		}
	}
}

func (w *waits) committed(records []event.Record) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for i := range records {
		x, ok := w.by[records[i].Command]
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
