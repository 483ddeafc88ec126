package broker

import (
	"net"
	"time"
)

// writeMost is how long a client may take none of what is sent to it.
const writeMost = 2 * time.Second

// impatient cuts off clients that stand still. The library waits for them without
// limit, and, for one that subscribed with QoS 1, so does everybody who publishes
// what it would get. A display that was cut off connects again and is told the
// state that is retained.
type impatient struct{ net.Listener }

// Accept implements net.Listener.
func (l *impatient) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &limited{c}, nil
}

type limited struct{ net.Conn }

// SetDeadline implements net.Conn. The library sets it with each packet that comes
// in, for the keep-alive; a client that goes on sending has not read anything yet.
func (c *limited) SetDeadline(t time.Time) error { return c.SetReadDeadline(t) }

// Write implements net.Conn. After an error there is no way to go on in the
// middle of a packet, so it ends the connection.
func (c *limited) Write(p []byte) (int, error) {
	err := c.Conn.SetWriteDeadline(time.Now().Add(writeMost))
	n := 0
	if err == nil {
		n, err = c.Conn.Write(p)
	}
	if err != nil {
		c.Conn.Close()
	}
	return n, err
}
