package broker

import (
	"slices"
	"strings"
	"sync"
	"time"
)

// A publisher in this process needs no connection; a connection would cost more than everything
// else that the broker does with a message. But without one nothing slows the publisher down, and
// it could fill the queues of subscribers that are fast enough for a gauge but not for a processor.
// So it waits a little for subscribers with long queues.
const (
	crowdedFrom = 1024 // messages on their way to a subscriber
	checkEvery  = 32   // messages between two looks at the queues
)

// throttle decides which subscribers to wait for, and how long.
type throttle struct {
	wait   time.Duration // at most, at each look
	giveUp time.Duration // after which a subscriber with a long queue is not waited for

	mu    sync.Mutex // guards what follows
	count int
	slow  map[*session]time.Time // since when the queue of a subscriber has been long
}

func (t *throttle) setDefaults() {
	t.wait, t.giveUp, t.slow = 20*time.Millisecond, 2*time.Second, map[*session]time.Time{}
}

// Publish passes a message to all who subscribe to its topic, and returns when the broker has it.
// It may wait some milliseconds for a subscriber with a long queue, but not for one that takes
// nothing. The caller may use the payload again when it returns.
func (b *Broker) Publish(topic string, payload []byte, retain bool, qos byte) error {
	b.await()
	b.publish(&message{topic: topic, payload: slices.Clone(payload), qos: qos, retain: retain})
	return nil
}

// Subscribe calls take for each message that matches the filter, in the goroutine that publishes
// it. take must not wait, and must not keep the payload.
func (b *Broker) Subscribe(filter string, take func(topic string, payload []byte, retained bool)) error {
	if !validFilter(filter) {
		return badFilter
	}
	for _, m := range b.subscribeLocal(&subscription{levels: strings.Split(filter, "/"), qos: 1, take: take}) {
		take(m.topic, m.payload, true)
	}
	return nil
}

func (b *Broker) subscribeLocal(s *subscription) []*message {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.local = append(b.local, s)
	b.routes = map[string]route{}
	return b.retainedFor(s)
}

// await waits for subscribers with long queues, at one message in checkEvery.
func (b *Broker) await() {
	t := &b.throttle
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.count++; t.count%checkEvery != 0 {
		return
	}
	end := time.Now().Add(t.wait)
	long := map[*session]time.Time{}
	for _, s := range b.connectedSessions() {
		for now := time.Now(); s.queue.long(); now = time.Now() {
			since, known := t.slow[s]
			if !known {
				since = now
				t.slow[s] = now
			}
			long[s] = since
			if now.Sub(since) >= t.giveUp || !now.Before(end) {
				break
			}
			time.Sleep(time.Millisecond)
		}
	}
	t.slow = long
}
