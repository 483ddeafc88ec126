package daemon

import (
	"net"
	"sync"
)

// The most connections that the page and the broker inside hold at once: more than
// a shop has, and few enough to leave the program the open files and the memory
// that gauges and journal need.
const (
	pageCrowd   = 512
	brokerCrowd = 2048
)

// bounded returns what keeps a listener to so many connections at once. One too
// many is closed as soon as it comes, so that nobody waits for nothing.
func bounded(most int) func(net.Listener) net.Listener {
	return func(l net.Listener) net.Listener { return &crowd{l, make(chan struct{}, most)} }
}

type crowd struct {
	net.Listener
	room chan struct{}
}

// Accept implements net.Listener.
func (c *crowd) Accept() (net.Conn, error) {
	for {
		conn, err := c.Listener.Accept()
		if err != nil {
			return nil, err
		}
		tcp, ok := conn.(*net.TCPConn)
		if !ok {
			return conn, nil
		}
		select {
		case c.room <- struct{}{}:
			return &guest{tcp, sync.OnceFunc(func() { <-c.room })}, nil
		default:
			_ = tcp.Close() // it was never used
		}
	}
}

// guest is a connection that makes room when it goes.
type guest struct {
	*net.TCPConn
	leave func()
}

// Close implements net.Conn.
func (g *guest) Close() error {
	defer g.leave()
	return g.TCPConn.Close()
}
