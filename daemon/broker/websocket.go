package broker

import (
	"context"
	"errors"
	"io"
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
	listener
	server http.Server
}

func newWebSocket(l net.Listener, conns *connTracker) *webSocket {
	w := &webSocket{listener: listener{socket: l, id: "websocket", protocol: "ws", conns: conns}}
	w.server = http.Server{Handler: http.HandlerFunc(w.upgrade), ReadHeaderTimeout: 10 * time.Second}
	return w
}

// Serve takes connections until Close.
func (w *webSocket) Serve(establish listeners.EstablishFn) {
	w.establish = establish
	if err := w.server.Serve(w.socket); !errors.Is(err, http.ErrServerClosed) {
		w.quiet.Error("websocket listener ended", "error", err)
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

func (w *webSocket) upgrade(rw http.ResponseWriter, r *http.Request) {
	up := websocket.Upgrader{Subprotocols: []string{"mqtt"}, CheckOrigin: sameHost}
	c, err := up.Upgrade(rw, r, nil)
	if err != nil {
		return // the upgrader has answered
	}
	defer c.Close()
	c.SetReadLimit(MaxPacket)
	w.serve(&stream{Conn: c.UnderlyingConn(), ws: c})
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
