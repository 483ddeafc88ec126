// Package limit bounds the number of connections of a listener, so that a client that connects too
// often does not take open files and memory away from the gauges and the journal.
package limit

import (
	"net"
	"sync"
)

// These are the largest numbers of connections of the page and of the embedded broker. They are
// more than a shop needs, but few enough to leave the program open files and memory for the gauges
// and the journal.
const (
	Page   = 512
	Broker = 2048
)

// Connections returns a function that limits a listener to that many open connections. A further
// connection is closed at once.
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

// limitedConn is a connection that frees its place when it is closed.
type limitedConn struct {
	*net.TCPConn
	leave func()
}

// Close implements net.Conn.
func (c *limitedConn) Close() error {
	defer c.leave()
	return c.TCPConn.Close()
}
