package store

import (
	"context"
	"fmt"

	"fairbore/daemon/event"
)

// Append queues events for the disk, in order; they are committed together.
// It returns once they are queued, not once they are recorded: [Journal.OnCommit]
// tells of that. It blocks while the queue is full, which [Status].Waits counts,
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
	if err := j.enqueue(ctx, batch); err != nil {
		return err
	}
	signal(j.wake)
	return nil
}

func (j *Journal) enqueue(ctx context.Context, batch []entry) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	for waited := false; !j.closed && len(j.queue) > 0 && len(j.queue)+len(batch) > j.cfg.Queue; waited = true {
		if !waited {
			j.state.Waits++
			signal(j.changed)
		}
		if err := j.awaitRoom(ctx); err != nil {
			return err
		}
	}
	if j.closed {
		return ErrClosed
	}
	for i := range batch {
		j.queue = append(j.queue, &batch[i])
	}
	return nil
}

// awaitRoom gives the lock up until some of the queue has come free.
func (j *Journal) awaitRoom(ctx context.Context) error {
	room := j.room
	j.mu.Unlock()
	defer j.mu.Lock()
	select {
	case <-room:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the journal's queue is full: %w", context.Cause(ctx))
	}
}

// group returns the events to commit next: as many as have queued, up to
// groupMost, but no part of an Append without the rest of it. They stay queued
// until taken is called, and what was returned is good until then.
func (j *Journal) group() []*entry {
	j.mu.Lock()
	defer j.mu.Unlock()
	n := min(len(j.queue), groupMost)
	for n > 0 && !j.queue[n-1].last {
		n--
	}
	if n == 0 && len(j.queue) > 0 { // one Append larger than a group
		for n = groupMost; !j.queue[n-1].last; n++ {
		}
	}
	return j.queue[:n:n]
}

// taken takes the first n events off the queue, which are recorded up to last.
func (j *Journal) taken(n int, last uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	left := copy(j.queue, j.queue[n:])
	clear(j.queue[left:])
	j.queue = j.queue[:left]
	j.last = last
	close(j.room)
	j.room = make(chan struct{})
}

// shut refuses further events.
func (j *Journal) shut() {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.closed = true
	close(j.room)
	j.room = make(chan struct{})
}

// signal wakes whoever waits on a channel of one place.
func signal(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
