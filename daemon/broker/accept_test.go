package broker

import (
	"net"
	"sync/atomic"
	"syscall"
	"testing"
)

// exhausted is a listener that can't take the first connections.
type exhausted struct {
	net.Listener
	left atomic.Int32
}

func (l *exhausted) Accept() (net.Conn, error) {
	if l.left.Add(-1) >= 0 {
		return nil, &net.OpError{Op: "accept", Net: "tcp", Err: syscall.EMFILE}
	}
	return l.Listener.Accept()
}

// A moment without open files does not end the broker's listener.
func TestTakesConnectionsAgain(t *testing.T) {
	b := opened(t, Config{})
	x := &exhausted{Listener: b.socket}
	x.left.Store(3)
	b.socket = x
	serve(t, b)
	own(t, b)
}
