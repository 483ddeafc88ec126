package broker

import (
	"net"
	"sync"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// guests are the connections that are served. The library ends the clients that it
// finds, and then waits for all: for one that was just connecting as long as he likes
// to stay. While it looks for them it may lock itself out, if one comes or goes in that
// moment. So they are ended here, before it is asked to.
type guests struct {
	mu    sync.Mutex
	ended bool
	here  map[net.Conn]struct{}
	all   sync.WaitGroup
}

// serve has the library serve a connection, unless they were ended.
func (g *guests) serve(establish listeners.EstablishFn, id string, c net.Conn) error {
	if !g.enter(c) {
		return c.Close()
	}
	defer g.leave(c)
	return establish(id, c)
}

func (g *guests) enter(c net.Conn) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if !g.ended {
		g.here[c] = struct{}{}
		g.all.Add(1)
	}
	return !g.ended
}

func (g *guests) leave(c net.Conn) {
	g.mu.Lock()
	defer g.mu.Unlock()
	delete(g.here, c)
	g.all.Done()
}

// end lets nobody in any more, tells the clients of a server that it ends, and returns
// when all of them are gone.
func (g *guests) end(s *mqtt.Server) {
	g.mu.Lock()
	g.ended = true
	g.mu.Unlock()
	var told sync.WaitGroup
	for _, cl := range s.Clients.GetAll() {
		if !cl.Net.Inline {
			told.Go(func() { s.DisconnectClient(cl, packets.ErrServerShuttingDown) })
		}
	}
	told.Wait()
	g.mu.Lock()
	for c := range g.here {
		told.Go(func() { c.Close() })
	}
	g.mu.Unlock()
	told.Wait()
	g.all.Wait()
}
