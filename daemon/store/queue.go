package store

import (
	"context"
	"fmt"
	"sync"

	"fairbore/daemon/event"
)

// Append queues events for the disk, in order; they are committed together.
// It returns once they are queued, not once they are recorded: that is when the function
// of [Journal.OnCommit] is called. It blocks while the queue is full, which [Status].Waits counts,
// until there is room or ctx ends. It fails with [ErrClosed], or if an event
// has no station, kind or time; then none of them is queued. The events are the
// journal's from then on.
func (j *Journal) Append(ctx context.Context, events []event.Event) error {
	if len(events) == 0 {
		return nil
	}
	batch, err := encode(events)
	if err != nil {
		return err
	}
	return j.queue.add(ctx, batch)
}

// queue holds the events that wait for the disk.
type queue struct {
	size    int           // how many events may wait
	added   chan struct{} // receives when events have come
	blocked chan struct{} // receives when add begins to wait

	mu      sync.Mutex
	entries []*entry
	changed chan struct{} // closed, and replaced, when events have left or the queue is closed
	closed  bool          // to add
	waits   uint64        // how often add has waited
}

func newQueue(size int, blocked chan struct{}) *queue {
	return &queue{size: size, added: make(chan struct{}, 1), blocked: blocked, changed: make(chan struct{})}
}

// add queues the events of one Append. It waits for room until ctx ends. A batch
// larger than the queue goes into an empty one.
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

// await unlocks the queue until it has changed.
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

// group returns the events to commit next: up to groupMost of them, but each Append
// whole. They stay queued until remove is called; the slice is valid until then.
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

// all returns all that is queued, valid until remove is called.
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

// close refuses further events, and those that wait for room.
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
