// Package limit keeps a listener to a number of connections at once, so that
// whoever connects too often takes no open files or memory from gauges and journal.
package limit

import (
	"net"
	"sync"
)

// The most connections that the page and the broker inside hold at once: more than
// a shop has, and few enough to leave the program the open files and the memory
// that gauges and journal need.
const (
	Page   = 512
	Broker = 2048
)

// Connections returns what keeps a listener to so many connections at once. One too
// many is closed as soon as it comes, so that nobody waits for nothing.
func Connections(most int) func(net.Listener) net.Listener {
	return func(l net.Listener) net.Listener { return &limitListener{l, make(chan struct{}, most)} }
}

type limitListener struct {
	net.Listener
	room chan struct{}
}

// Accept implements net.Listener.
func (l *limitListener) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		tcp, ok := conn.(*net.TCPConn)
		if !ok {
			return conn, nil
		}
		select {
		case l.room <- struct{}{}:
			return &limitedConn{tcp, sync.OnceFunc(func() { <-l.room })}, nil
		default:
			_ = tcp.Close() // it was never used
		}
	}
}

// limitedConn is a connection that makes room when it is closed.
type limitedConn struct {
	*net.TCPConn
	leave func()
}

// Close implements net.Conn.
func (c *limitedConn) Close() error {
	defer c.leave()
	return c.TCPConn.Close()
}
