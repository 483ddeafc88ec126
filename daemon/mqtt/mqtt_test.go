package mqtt

import (
	"context"
	"errors"
	"net"
	"net/url"
	"testing"
	"time"

	"github.com/rs/zerolog"
)

// The waits double from the first to the most, never leave these bounds, and
// begin again after a connection that held.
func TestBackoff(t *testing.T) {
	p := UsualWaits()
	if p.First != 500*time.Millisecond || p.Most != 5*time.Second {
		t.Fatalf("bounds %s, %s", p.First, p.Most)
	}
	b := backoff{waits: &p}
	for i := range 40 {
		base := min(p.First<<min(i, 16), p.Most)
		if d := b.next(0); d < base/2 || d > base {
			t.Errorf("wait %d is %s, want %s and up to half less", i, d, base)
		}
	}
	if d := b.next(time.Minute); d > time.Second {
		t.Errorf("after a connection that held: %s", d)
	}
	if d := b.next(time.Second); d < p.First {
		t.Errorf("after one that did not: %s", d)
	}
}

func TestPasswordInTheClear(t *testing.T) {
	for broker, want := range map[string]bool{
		"tcp://127.0.0.1:1883": false, "tcp://localhost:1883": false, "tcp://[::1]:1883": false,
		"ssl://broker.example:8883": false, "tcp://broker.example:1883": true, "ws://10.0.0.7:9001": true,
	} {
		c := Config{Broker: broker, User: "u", Password: "p"}
		if c.bare() != want {
			t.Errorf("%s: %t", broker, !want)
		}
	}
}

// socketServer accepts connections and answers none. It passes each to taken.
func socketServer(t *testing.T, taken func(net.Conn)) (port string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			taken(conn)
		}
	}()
	_, port, _ = net.SplitHostPort(l.Addr().String())
	return port
}

func dialer(t *testing.T, broker string, connect time.Duration) (*Dialer, *url.URL) {
	t.Helper()
	w := UsualWaits()
	w.Connect = connect
	d, err := NewDialer(Config{Broker: broker, ClientID: "c", Waits: w}, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	uri, err := url.Parse(broker)
	if err != nil {
		t.Fatal(err)
	}
	return d, uri
}

// A websocket goes straight to the broker, whatever proxy the environment names.
// The environment's rules leave out loopback addresses, so the broker is called by
// 0.0.0.0, which leads there too.
func TestWebsocketTakesNoProxy(t *testing.T) {
	proxied, reached := make(chan bool, 1), make(chan bool, 1)
	proxy := socketServer(t, func(c net.Conn) { c.Close(); proxied <- true })
	broker := socketServer(t, func(c net.Conn) { c.Close(); reached <- true })
	for _, name := range []string{"HTTP_PROXY", "HTTPS_PROXY", "http_proxy", "https_proxy"} {
		t.Setenv(name, "http://127.0.0.1:"+proxy)
	}
	d, uri := dialer(t, "ws://0.0.0.0:"+broker, 10*time.Second)
	if conn, err := d.open(t.Context(), uri); err == nil {
		conn.Close()
		t.Fatal("opened a websocket to nobody")
	}
	select {
	case <-reached:
	case <-proxied:
		t.Fatal("the proxy of the environment was asked for the broker")
	}
}

// An attempt to open a websocket ends with its context, though nobody answers.
func TestWebsocketEndsWithItsContext(t *testing.T) {
	var held net.Conn
	accepted := make(chan bool)
	broker := socketServer(t, func(c net.Conn) { held = c; accepted <- true })
	d, uri := dialer(t, "ws://127.0.0.1:"+broker, time.Hour)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		_, err := d.open(ctx, uri)
		ended <- err
	}()
	<-accepted
	defer held.Close() // ends the library's own attempt
	cancel()
	select {
	case err := <-ended:
		if !errors.Is(err, context.Canceled) {
			t.Errorf("%v", err)
		}
	case <-time.After(30 * time.Second):
		t.Fatal("it goes on although its context has ended")
	}
}
