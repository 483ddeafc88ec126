package broker

import (
	"sync"
	"sync/atomic"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// retained locks the library's retained messages. This version of the library writes a node of its
// topic tree while a new subscriber reads it (RetainMessage against scanMessages), which can mix up
// a string. The lock is held from the hook that the library calls before the step to the one that
// it calls after it; every path between them reaches the second one.
type retained struct {
	mu        sync.RWMutex
	storer    atomic.Pointer[mqtt.Client] // the client that holds the lock to store a message
	searchers sync.Map                    // *mqtt.Client: those that hold the lock to search
}

func (r *retained) lockStore(cl *mqtt.Client) {
	r.mu.Lock()
	r.storer.Store(cl)
}

func (r *retained) unlockStore(cl *mqtt.Client) {
	if r.storer.CompareAndSwap(cl, nil) {
		r.mu.Unlock()
	}
}

func (r *retained) lockSearch(cl *mqtt.Client) {
	r.mu.RLock()
	r.searchers.Store(cl, nil)
}

func (r *retained) unlockSearch(cl *mqtt.Client) {
	if _, held := r.searchers.LoadAndDelete(cl); held {
		r.mu.RUnlock()
	}
}

// OnPublish is called before a message is stored, if it is to be retained.
func (h *hook) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Retain {
		h.retained.lockStore(cl)
	}
	return pk, nil
}

// OnWill is called before a last will is stored, if it is to be retained.
func (h *hook) OnWill(cl *mqtt.Client, will mqtt.Will) (mqtt.Will, error) {
	if will.Retain {
		h.retained.lockStore(cl)
	}
	return will, nil
}

// OnRetainMessage is called when a message has been stored.
func (h *hook) OnRetainMessage(cl *mqtt.Client, _ packets.Packet, _ int64) {
	h.retained.unlockStore(cl)
}

// OnSubscribed is called before retained messages are looked for.
func (h *hook) OnSubscribed(cl *mqtt.Client, pk packets.Packet, _ []byte) {
	if !cl.Net.Inline {
		h.retained.lockSearch(cl)
	}
}

// OnPacketProcessed is called when all of them have been sent.
func (h *hook) OnPacketProcessed(cl *mqtt.Client, pk packets.Packet, _ error) {
	if pk.FixedHeader.Type == packets.Subscribe {
		h.retained.unlockSearch(cl)
	}
}
