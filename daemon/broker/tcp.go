package broker

import (
	"errors"
	"net"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/rs/zerolog"
)

// tcp is a listener for MQTT clients. The library's own listener ends for good when a connection
// can't be accepted, such as while too many files are open.
type tcp struct {
	listener
	log zerolog.Logger
}

// retry is how long to wait after a connection could not be accepted.
const retry = 100 * time.Millisecond

// Serve takes connections until Close.
func (l *tcp) Serve(establish listeners.EstablishFn) {
	l.establish = establish
	for failed := false; ; {
		c, err := l.socket.Accept()
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
		go l.serve(c)
	}
}

// Close ends the listener. Its clients were ended before.
func (l *tcp) Close(listeners.CloseFn) { l.socket.Close() }
