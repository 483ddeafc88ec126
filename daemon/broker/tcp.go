package broker

import (
	"errors"
	"log/slog"
	"net"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/rs/zerolog"
)

// tcp is a listener for MQTT clients. The library's own ends for good when a
// connection can't be accepted, as while too many files are open.
type tcp struct {
	listener net.Listener
	guests   *guests
	log      zerolog.Logger
	quiet    *slog.Logger // for what a client may cause
}

// ID, Address, Protocol, Init, Serve and Close are what the library asks of a listener.
func (l *tcp) ID() string { return "tcp" }

// Address returns host:port.
func (l *tcp) Address() string { return l.listener.Addr().String() }

// Protocol names the protocol.
func (l *tcp) Protocol() string { return "tcp" }

// Init takes the log.
func (l *tcp) Init(log *slog.Logger) error {
	l.quiet = log
	return nil
}

// retry is how long to wait for another connection after one could not be accepted.
const retry = 100 * time.Millisecond

// Serve takes connections until Close.
func (l *tcp) Serve(establish listeners.EstablishFn) {
	for failed := false; ; {
		c, err := l.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			if !failed {
				l.log.Error().Err(err).Msg("the broker can't take a connection and goes on trying; raise the limit of open files, or find out who holds so many")
			}
			failed = true
			time.Sleep(retry)
			continue
		}
		failed = false
		go func() {
			if err := l.guests.serve(establish, l.ID(), c); err != nil {
				l.quiet.Warn("", "error", err)
			}
		}()
	}
}

// Close ends the listener; its clients are ended before.
func (l *tcp) Close(listeners.CloseFn) { l.listener.Close() }
