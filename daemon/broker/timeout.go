package broker

import (
	"net"
	"time"
)

// writeTimeout is how long a client may take none of what is sent to it.
const writeTimeout = 2 * time.Second

// writeTimeoutListener cuts off clients that read nothing. The library waits for them
// without limit, and so does everybody who publishes what a client with a subscription
// of QoS 1 would get. A display that was cut off connects again and gets the retained
// messages.
type writeTimeoutListener struct{ net.Listener }

// Accept implements net.Listener.
func (l *writeTimeoutListener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &writeTimeoutConn{c}, nil
}

type writeTimeoutConn struct{ net.Conn }

// SetDeadline implements net.Conn. The library sets it with each packet that comes
// in, for the keep-alive; that a client sends does not mean that it reads.
func (c *writeTimeoutConn) SetDeadline(t time.Time) error { return c.SetReadDeadline(t) }

// Write implements net.Conn. After an error there is no way to go on in the
// middle of a packet, so it ends the connection.
func (c *writeTimeoutConn) Write(p []byte) (int, error) {
	err := c.Conn.SetWriteDeadline(time.Now().Add(writeTimeout))
	n := 0
	if err == nil {
		n, err = c.Conn.Write(p)
	}
	if err != nil {
		c.Conn.Close()
	}
	return n, err
}
