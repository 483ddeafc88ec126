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

// webSocket is a listener for browsers. The library's own listener takes its address only when it
// serves, so that Open could not report an address in use, and it accepts pages of any host.
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

// Close ends the listener. Its clients were ended before.
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
		return // the upgrader has sent the answer
	}
	defer c.Close()
	c.SetReadLimit(MaxPacket)
	w.serve(&stream{Conn: c.UnderlyingConn(), ws: c})
}

// sameHost accepts pages of this host, on any port, and programs that are not browsers.
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

// stream turns binary messages into one stream of bytes, in both directions.
type stream struct {
	net.Conn
	ws  *websocket.Conn
	msg io.Reader // rest of the current message
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
