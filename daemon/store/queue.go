package store

import (
	"context"
	"fmt"
	"sync"

	"fairbore/daemon/event"
)

// Append queues events for the disk, in order. The events are committed together. Append returns
// when they are queued, which is before they are recorded. When they are recorded, the function of
// [Journal.OnCommit] is called.
//
// While the queue is full, Append blocks until there is room or ctx ends; [Status].Waits counts how
// often. Append fails with [ErrClosed] if the journal is closed. It also fails if an event has no
// station, no kind or no time; then none of the events is queued. The caller must not change the
// events afterwards.
func (j *Journal) Append(ctx context.Context, events []event.Event) error {
	if len(events) == 0 {
		return nil
	}
	batch, err := encode(events)
	if err != nil {
		return err
	}
	j.packing.pack(batch)
	return j.queue.add(ctx, batch)
}

// queue holds the events that wait for the disk.
type queue struct {
	size    int           // how many events may wait
	added   chan struct{} // receives a value when events are added
	blocked chan struct{} // receives a value when add begins to wait

	mu      sync.Mutex
	entries []*entry
	changed chan struct{} // closed and replaced when events are removed or the queue is closed
	closed  bool          // add refuses events
	waits   uint64        // how often add has waited
}

func newQueue(size int, blocked chan struct{}) *queue {
	return &queue{size: size, added: make(chan struct{}, 1), blocked: blocked, changed: make(chan struct{})}
}

// add queues the events of one Append. It waits for room until ctx ends. A batch that is larger
// than the queue is added when the queue is empty.
func (q *queue) add(ctx context.Context, batch []entry) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	for waited := false; !q.closed && len(q.entries) > 0 && len(q.entries)+len(batch) > q.size; waited = true {
		if !waited {
			q.waits++
			signal(q.blocked)
		}
		if err := q.await(ctx); err != nil {
			return err
		}
	}
	if q.closed {
		return ErrClosed
	}
	for i := range batch {
		q.entries = append(q.entries, &batch[i])
	}
	signal(q.added)
	return nil
}

// await unlocks the queue, waits until events are removed or the queue is closed, and locks the
// queue again. It fails if ctx ends first.
func (q *queue) await(ctx context.Context) error {
	changed := q.changed
	q.mu.Unlock()
	defer q.mu.Lock()
	select {
	case <-changed:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the journal's queue is full: %w", context.Cause(ctx))
	}
}

// group returns the events to commit next, at most groupMost. It never splits the events of one
// Append, so a larger Append makes a larger group. The events stay queued until remove is called.
// The slice is valid until then.
func (q *queue) group() []*entry {
	q.mu.Lock()
	defer q.mu.Unlock()
	n := min(len(q.entries), groupMost)
	for n > 0 && !q.entries[n-1].last {
		n--
	}
	if n == 0 && len(q.entries) > 0 { // one Append larger than a group
		for n = groupMost; !q.entries[n-1].last; n++ {
		}
	}
	return q.entries[:n:n]
}

// all returns all queued events. The slice is valid until remove is called.
func (q *queue) all() []*entry {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.entries[:len(q.entries):len(q.entries)]
}

// status returns how many events wait, how often add has waited for room, and
// whether the queue is closed.
func (q *queue) status() (waiting int, waits uint64, closed bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.entries), q.waits, q.closed
}

// remove removes the first n events.
func (q *queue) remove(n int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	left := copy(q.entries, q.entries[n:])
	clear(q.entries[left:])
	q.entries = q.entries[:left]
	q.tell()
}

// close makes add refuse events from now on, also in the calls of add that wait for room.
func (q *queue) close() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.closed = true
	q.tell()
}

func (q *queue) tell() {
	close(q.changed)
	q.changed = make(chan struct{})
}

// signal sends on a channel that has room for one, unless it is full.
func signal(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
