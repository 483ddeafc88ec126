package daemon

import (
	"sync"

	"fairbore/daemon/session"
)

// waits lets those who asked for an action wait until it is on disk.
type waits struct {
	mu sync.Mutex
	by map[string]chan struct{} // by the action's id
}

func (w *waits) add(id string) <-chan struct{} {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.by == nil {
		w.by = map[string]chan struct{}{}
	}
	c := make(chan struct{})
	w.by[id] = c
	return c
}

func (w *waits) remove(id string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.by, id)
}

func (w *waits) committed(records []session.Record) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for i := range records {
		if c, ok := w.by[records[i].Command]; ok {
			close(c)
			delete(w.by, records[i].Command)
		}
	}
}
