package broker

import (
	"net"
	"time"
)

// writeTimeout is how long a client may leave what is sent to it unread.
const writeTimeout = 2 * time.Second

// writeTimeoutListener disconnects clients that read nothing. The library waits for them without
// limit, and so does everyone who publishes a message that such a client subscribed to with QoS 1.
// A display that was disconnected connects again and gets the retained messages.
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

// SetDeadline implements net.Conn. The library calls it for the keep-alive with each packet that
// comes in, but a client that sends is not always one that reads, so the write deadline is left
// alone.
func (c *writeTimeoutConn) SetDeadline(t time.Time) error { return c.SetReadDeadline(t) }

// Write implements net.Conn. After an error the rest of the packet can't be sent, so the connection
// is closed.
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
