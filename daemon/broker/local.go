package broker

import (
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// A publisher in this process needs no connection; a connection would cost more than everything
// else that the broker does with a message. But without one nothing slows the publisher down, and
// it could fill the queues of subscribers that are fast enough for a gauge but not for a processor.
// So it waits a little for subscribers with long queues.
const (
	crowdedFrom = 1024 // messages of QoS 1 on their way to a subscriber
	checkEvery  = 32   // messages between two looks at the queues
)

// throttle decides which subscribers to wait for, and how long.
type throttle struct {
	wait   time.Duration // at most, at each look
	giveUp time.Duration // after which a subscriber with a long queue is not waited for
	asking atomic.Bool   // a new local subscriber is being given the retained messages

	mu    sync.Mutex // guards what follows
	count int
	slow  map[string]time.Time // since when the queue of a subscriber has been long, by client id
}

func (t *throttle) setDefaults() {
	t.wait, t.giveUp, t.slow = 20*time.Millisecond, 2*time.Second, map[string]time.Time{}
}

// Publish passes a message to all who subscribe to its topic, and returns when the broker has it.
// It may wait some milliseconds for a subscriber with a long queue, but not for one that takes
// nothing. The caller may use the payload again when it returns.
func (b *Broker) Publish(topic string, payload []byte, retain bool, qos byte) error {
	b.await()
	return b.server.Publish(topic, payload, retain, qos)
}

// Subscribe calls take for each message that matches the filter, in the goroutine that publishes
// it. take must not wait, and must not keep the payload.
func (b *Broker) Subscribe(filter string, take func(topic string, payload []byte, retained bool)) error {
	b.throttle.asking.Store(true)
	defer b.throttle.asking.Store(false)
	b.hook.retained.mu.RLock()
	defer b.hook.retained.mu.RUnlock()
	return b.server.Subscribe(filter, 1, func(_ *mqtt.Client, _ packets.Subscription, pk packets.Packet) {
		take(pk.TopicName, pk.Payload, pk.FixedHeader.Retain && b.throttle.asking.Load())
	})
}

// await waits for subscribers with long queues, at one message in checkEvery.
func (b *Broker) await() {
	t := &b.throttle
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.count++; t.count%checkEvery != 0 || atomic.LoadInt64(&b.server.Info.Inflight) < crowdedFrom {
		return
	}
	end := time.Now().Add(t.wait)
	for id, cl := range b.server.Clients.GetAll() {
		for t.waitsFor(id, cl, time.Now()) && time.Now().Before(end) {
			time.Sleep(time.Millisecond)
		}
	}
}

func (t *throttle) waitsFor(id string, cl *mqtt.Client, now time.Time) bool {
	if cl.Net.Inline || cl.Closed() || cl.State.Inflight.Len() < crowdedFrom {
		delete(t.slow, id)
		return false
	}
	since, known := t.slow[id]
	if !known {
		since, t.slow[id] = now, now
	}
	return now.Sub(since) < t.giveUp
}
