package broker

import (
	"net"
	"sync"
	"sync/atomic"
)

// maxAtDoor bounds the connections that have not sent their CONNECT.
const maxAtDoor = 256

// door keeps the connections that have not sent their CONNECT. If there are too many, the one that has
// been there longest must go, so that those who say nothing keep nobody out who does. The zero value
// is ready.
type door struct {
	turnedOut atomic.Uint64

	mu     sync.Mutex
	closed bool
	at     map[net.Conn]uint64 // in the order in which they came
	came   uint64
}

// enter takes a connection in, and reports whether the door is open.
func (d *door) enter(c net.Conn) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return false
	}
	if d.at == nil {
		d.at = map[net.Conn]uint64{}
	}
	if len(d.at) >= maxAtDoor {
		var longest net.Conn
		for o, came := range d.at {
			if longest == nil || came < d.at[longest] {
				longest = o
			}
		}
		delete(d.at, longest)
		_ = longest.Close() // it has said nothing
		d.turnedOut.Add(1)
	}
	d.came++
	d.at[c] = d.came
	return true
}

// leave forgets a connection that has sent its CONNECT, or has ended.
func (d *door) leave(c net.Conn) {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.at, c)
}

// shut closes the connections that are there, and lets none in any more.
func (d *door) shut() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.closed = true
	for c := range d.at {
		_ = c.Close() // it has said nothing
	}
}
