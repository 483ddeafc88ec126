package broker

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"time"

	"github.com/gorilla/websocket"
	"github.com/mochi-mqtt/server/v2/listeners"
)

// webSocket is a listener for browsers. The library's own takes its address only
// while serving, too late for "in use" to be an error of Open, and lets pages of any
// host connect.
type webSocket struct {
	listener  net.Listener
	guests    *guests
	server    http.Server
	establish listeners.EstablishFn
	log       *slog.Logger
}

func newWebSocket(l net.Listener, g *guests) *webSocket {
	w := &webSocket{listener: l, guests: g}
	w.server = http.Server{Handler: http.HandlerFunc(w.serve), ReadHeaderTimeout: 10 * time.Second}
	return w
}

// ID, Address, Protocol, Init, Serve and Close are what the library asks of a listener.
func (w *webSocket) ID() string { return "websocket" }

// Address returns host:port.
func (w *webSocket) Address() string { return w.listener.Addr().String() }

// Protocol names the protocol.
func (w *webSocket) Protocol() string { return "ws" }

// Init takes the log.
func (w *webSocket) Init(log *slog.Logger) error {
	w.log = log
	return nil
}

// Serve takes connections until Close.
func (w *webSocket) Serve(establish listeners.EstablishFn) {
	w.establish = establish
	if err := w.server.Serve(w.listener); !errors.Is(err, http.ErrServerClosed) {
		w.log.Error("websocket listener ended", "error", err)
	}
}

// Close ends the listener; its clients are ended before.
func (w *webSocket) Close(listeners.CloseFn) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if w.server.Shutdown(ctx) != nil {
		w.server.Close()
	}
}

func (w *webSocket) serve(rw http.ResponseWriter, r *http.Request) {
	up := websocket.Upgrader{Subprotocols: []string{"mqtt"}, CheckOrigin: sameHost}
	c, err := up.Upgrade(rw, r, nil)
	if err != nil {
		return // the upgrader has answered
	}
	defer c.Close()
	c.SetReadLimit(MaxPacket)
	if err := w.guests.serve(w.establish, w.ID(), &stream{Conn: c.UnderlyingConn(), ws: c}); err != nil {
		w.log.Debug("websocket client", "error", err)
	}
}

// sameHost lets pages of this host connect, on any port, and programs that are no browser.
func sameHost(r *http.Request) bool {
	origin := r.Header.Get("Origin")
	if origin == "" {
		return true
	}
	u, err := url.Parse(origin)
	if err != nil {
		return false
	}
	host, _, err := net.SplitHostPort(r.Host)
	if err != nil {
		host = r.Host
	}
	return u.Hostname() == host
}

// stream reads and writes binary messages as one stream of bytes.
type stream struct {
	net.Conn
	ws  *websocket.Conn
	msg io.Reader // what is left of the current message
}

// Read reads from the current message, or from the next.
func (s *stream) Read(p []byte) (int, error) {
	for {
		if s.msg == nil {
			kind, r, err := s.ws.NextReader()
			if err != nil {
				return 0, err
			}
			if kind != websocket.BinaryMessage {
				return 0, errors.New("MQTT over WebSocket must be binary")
			}
			s.msg = r
		}
		n, err := s.msg.Read(p)
		if errors.Is(err, io.EOF) {
			s.msg, err = nil, nil
		}
		if n > 0 || err != nil {
			return n, err
		}
	}
}

// Write writes one message.
func (s *stream) Write(p []byte) (int, error) {
	if err := s.ws.WriteMessage(websocket.BinaryMessage, p); err != nil {
		return 0, err
	}
	return len(p), nil
}
