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
// and not with a processor. So it waits for them a little.
const (
	crowd    = 1024 // messages of QoS 1 on their way to a subscriber
	lookEach = 32   // messages between looks
)

// pace is who is waited for, and how long.
type pace struct {
	wait     time.Duration // at most, at each look
	patience time.Duration // after which a subscriber that stays crowded is not waited for
	asking   atomic.Bool   // retained messages are being given to a new local subscriber

	mu    sync.Mutex // guards what follows
	count int
	slow  map[string]time.Time // since when a subscriber has been crowded, by client id
}

func (p *pace) usual() {
	p.wait, p.patience, p.slow = 20*time.Millisecond, 2*time.Second, map[string]time.Time{}
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
// of whoever publishes it: take must not wait, and must not keep the payload.
func (b *Broker) Subscribe(filter string, take func(topic string, payload []byte, retained bool)) error {
	b.pace.asking.Store(true)
	defer b.pace.asking.Store(false)
	b.gate.retained.mu.RLock()
	defer b.gate.retained.mu.RUnlock()
	return b.server.Subscribe(filter, 1, func(_ *mqtt.Client, _ packets.Subscription, pk packets.Packet) {
		take(pk.TopicName, pk.Payload, pk.FixedHeader.Retain && b.pace.asking.Load())
	})
}

// await looks now and then for subscribers that are crowded.
func (b *Broker) await() {
	p := &b.pace
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.count++; p.count%lookEach != 0 || atomic.LoadInt64(&b.server.Info.Inflight) < crowd {
		return
	}
	end := time.Now().Add(p.wait)
	for id, cl := range b.server.Clients.GetAll() {
		for p.waitsFor(id, cl, time.Now()) && time.Now().Before(end) {
			time.Sleep(time.Millisecond)
		}
	}
}

func (p *pace) waitsFor(id string, cl *mqtt.Client, now time.Time) bool {
	if cl.Net.Inline || cl.Closed() || cl.State.Inflight.Len() < crowd {
		delete(p.slow, id)
		return false
	}
	since, known := p.slow[id]
	if !known {
		since, p.slow[id] = now, now
	}
	return now.Sub(since) < p.patience
}
