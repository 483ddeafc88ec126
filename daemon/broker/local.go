package broker

import (
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// A publisher in this process needs no connection, which would cost more than
// all that the broker does with a message. But without one nothing slows it
// down, and it could fill the queues of subscribers that keep up with a gauge
// but not with a processor. So it waits a little for crowded subscribers.
const (
	crowdedFrom = 1024 // messages of QoS 1 on their way to a subscriber
	checkEvery  = 32   // messages between looks
)

// throttle says which subscribers are waited for, and how long.
type throttle struct {
	wait   time.Duration // at most, at each look
	giveUp time.Duration // after which a subscriber that stays crowded is not waited for
	asking atomic.Bool   // retained messages are being given to a new local subscriber

	mu    sync.Mutex // guards what follows
	count int
	slow  map[string]time.Time // since when a subscriber has been crowded, by client id
}

func (t *throttle) setDefaults() {
	t.wait, t.giveUp, t.slow = 20*time.Millisecond, 2*time.Second, map[string]time.Time{}
}

// Publish gives a message to all who subscribe to its topic, and returns when the
// broker has it. It may wait for a subscriber with many messages on their way,
// some milliseconds, and not for one that stands still. The payload is the
// caller's again when it returns.
func (b *Broker) Publish(topic string, payload []byte, retain bool, qos byte) error {
	b.await()
	return b.server.Publish(topic, payload, retain, qos)
}

// Subscribe calls take for each message that matches the filter, by the goroutine
// that publishes it: take must not wait, and must not keep the payload.
func (b *Broker) Subscribe(filter string, take func(topic string, payload []byte, retained bool)) error {
	b.throttle.asking.Store(true)
	defer b.throttle.asking.Store(false)
	b.hook.retained.mu.RLock()
	defer b.hook.retained.mu.RUnlock()
	return b.server.Subscribe(filter, 1, func(_ *mqtt.Client, _ packets.Subscription, pk packets.Packet) {
		take(pk.TopicName, pk.Payload, pk.FixedHeader.Retain && b.throttle.asking.Load())
	})
}

// await waits for crowded subscribers, at one message in checkEvery.
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
