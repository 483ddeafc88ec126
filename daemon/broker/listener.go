package broker

import (
	"log/slog"
	"net"

	"github.com/mochi-mqtt/server/v2/listeners"
)

// listener is the common part of the listeners for MQTT and for browsers. It has the methods that
// the library needs, except Serve and Close.
type listener struct {
	socket       net.Listener
	id, protocol string
	conns        *connTracker
	establish    listeners.EstablishFn // the library's function for each connection
	quiet        *slog.Logger          // for messages that a client may cause
}

// ID returns the name of the listener.
func (l *listener) ID() string { return l.id }

// Address returns host:port.
func (l *listener) Address() string { return l.socket.Addr().String() }

// Protocol returns the name of the protocol.
func (l *listener) Protocol() string { return l.protocol }

// Init stores the log.
func (l *listener) Init(log *slog.Logger) error {
	l.quiet = log
	return nil
}

// serve serves a connection until it ends.
func (l *listener) serve(c net.Conn) {
	if err := l.conns.serve(l.establish, l.id, c); err != nil {
		l.quiet.Warn("connection ended", "listener", l.id, "error", err)
	}
}
