package broker

import (
	"net"
	"sync"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// connTracker keeps the connections that are served, so that they can be ended before the library
// is closed. The library ends the clients that it knows and then waits for all connections, without
// limit for one whose client is still connecting. It may also deadlock if a client comes or goes
// meanwhile.
type connTracker struct {
	mu     sync.Mutex
	ended  bool
	open   map[net.Conn]struct{}
	served sync.WaitGroup
}

// serve has the library serve a connection, or closes it if end was called.
func (t *connTracker) serve(establish listeners.EstablishFn, id string, c net.Conn) error {
	if !t.add(c) {
		return c.Close()
	}
	defer t.remove(c)
	return establish(id, c)
}

func (t *connTracker) add(c net.Conn) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if !t.ended {
		t.open[c] = struct{}{}
		t.served.Add(1)
	}
	return !t.ended
}

func (t *connTracker) remove(c net.Conn) {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.open, c)
	t.served.Done()
}

// end accepts no further connections, tells the clients of a server that it ends, and returns when
// all connections are closed.
func (t *connTracker) end(s *mqtt.Server) {
	t.mu.Lock()
	t.ended = true
	t.mu.Unlock()
	var closing sync.WaitGroup
	for _, cl := range s.Clients.GetAll() {
		if !cl.Net.Inline {
			closing.Go(func() { s.DisconnectClient(cl, packets.ErrServerShuttingDown) })
		}
	}
	closing.Wait()
	t.mu.Lock()
	for c := range t.open {
		closing.Go(func() { c.Close() })
	}
	t.mu.Unlock()
	closing.Wait()
	t.served.Wait()
}
