package broker

import (
	"sync"
	"sync/atomic"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// retained keeps those who store a retained message apart from those who look
// for some: this version of the library writes a node of its topic tree while a
// new subscriber reads it (RetainMessage against scanMessages: a string torn in
// two). The lock is held from the library's call before the step to the one
// after it; nothing between them can leave early.
type retained struct {
	mu      sync.RWMutex
	storer  atomic.Pointer[mqtt.Client] // who has it to store
	lookers sync.Map                    // *mqtt.Client: who has it to look
}

func (r *retained) toStore(cl *mqtt.Client) {
	r.mu.Lock()
	r.storer.Store(cl)
}

func (r *retained) stored(cl *mqtt.Client) {
	if r.storer.CompareAndSwap(cl, nil) {
		r.mu.Unlock()
	}
}

func (r *retained) toLook(cl *mqtt.Client) {
	r.mu.RLock()
	r.lookers.Store(cl, nil)
}

func (r *retained) looked(cl *mqtt.Client) {
	if _, held := r.lookers.LoadAndDelete(cl); held {
		r.mu.RUnlock()
	}
}

// OnPublish is called before a message is stored, if it is to be retained.
func (g *gate) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Retain {
		g.retained.toStore(cl)
	}
	return pk, nil
}

// OnWill is called before a last will is stored, if it is to be retained.
func (g *gate) OnWill(cl *mqtt.Client, will mqtt.Will) (mqtt.Will, error) {
	if will.Retain {
		g.retained.toStore(cl)
	}
	return will, nil
}

// OnRetainMessage is called when a message has been stored.
func (g *gate) OnRetainMessage(cl *mqtt.Client, _ packets.Packet, _ int64) { g.retained.stored(cl) }

// OnSubscribed is called before retained messages are looked for.
func (g *gate) OnSubscribed(cl *mqtt.Client, pk packets.Packet, _ []byte) {
	if !cl.Net.Inline {
		g.retained.toLook(cl)
	}
}

// OnPacketProcessed is called when all of them have been sent.
func (g *gate) OnPacketProcessed(cl *mqtt.Client, pk packets.Packet, _ error) {
	if pk.FixedHeader.Type == packets.Subscribe {
		g.retained.looked(cl)
	}
}
