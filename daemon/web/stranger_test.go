package web

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/limit"
)

// A name of a stranger's that was made to lead to this machine shows nothing of it
// and does nothing; what a shop calls its machines does.
func TestNamesOfThisServer(t *testing.T) {
	cfg, src := everything(true)
	cfg.Names = []string{"bay2.shop.example"}
	s := serve(t, cfg, src)
	for host, ok := range map[string]bool{
		"evil.example": false, "evil.example:8080": false, "127.0.0.1.evil.example": false, "notlocal": true, "x.local.evil.example": false,
		"127.0.0.1:8080": true, "[::1]:8080": true, "localhost:1": true, "bay2": true, "bay2.local": true, "Bay2.Shop.Example": true, "192.168.1.7": true,
	} {
		for _, path := range []string{"/station/rough/do", "/station/rough", "/station/rough/bore", "/station/rough/view", "/wall/view", "/history", "/static/page.css", "/records/x/file", "/nothing"} {
			method, body := http.MethodGet, io.Reader(nil)
			if strings.HasSuffix(path, "/do") {
				method, body = http.MethodPost, strings.NewReader(`{"id":"`+host+`","do":"record"}`)
			}
			r := httptest.NewRequestWithContext(t.Context(), method, path, body)
			r.Host = host
			r.Header.Set("Content-Type", "application/json")
			if method == http.MethodPost {
				r.Header.Set("Origin", "http://"+host)
			}
			w := httptest.NewRecorder()
			if ok && strings.HasSuffix(path, "/view") {
				continue // it has no end
			}
			s.Handler().ServeHTTP(w, r)
			if (w.Code == http.StatusForbidden) == ok {
				t.Errorf("%s %s: %d", host, path, w.Code)
			}
			if !ok && !strings.Contains(w.Body.String(), "web.names") {
				t.Errorf("%s %s: the answer does not say what to do: %s", host, path, w.Body)
			}
		}
	}
	if n := s.Refused()["host"]; n != 4*9 {
		t.Errorf("%d refusals were counted", n)
	}
}

// The log says what was refused, and who asked, but one who goes on does not fill it.
func TestRefusalsAreLogged(t *testing.T) {
	var log bytes.Buffer
	s := &Server{log: zerolog.New(&log)}
	for range 1000 {
		s.turned(wrongHost, netip.MustParseAddr("192.0.2.7"), "evil.example")
	}
	if got := log.String(); strings.Count(got, "\n") != 1 || !strings.Contains(got, "192.0.2.7") || !strings.Contains(got, "evil.example") || !strings.Contains(got, "web.names") {
		t.Errorf("the log has %s", got)
	}
	if n := s.Refused()["host"]; n != 1000 {
		t.Errorf("%d were counted", n)
	}
}

// The address of a client behind a proxy is the last one that no trusted proxy has;
// nobody else is believed.
func TestForwardedFor(t *testing.T) {
	s := &Server{log: zerolog.Nop(), cfg: Config{Proxies: []netip.Prefix{netip.MustParsePrefix("10.0.0.0/24"), netip.MustParsePrefix("fd00::/8")}}}
	for _, c := range []struct {
		from    string
		header  []string
		want    string
		proxied bool
	}{
		{"192.0.2.1:7", []string{"198.51.100.1"}, "192.0.2.1", false},
		{"10.0.0.2:7", nil, "10.0.0.2", true},
		{"10.0.0.2:7", []string{"198.51.100.1"}, "198.51.100.1", true},
		{"10.0.0.2:7", []string{"1.2.3.4, 198.51.100.1"}, "198.51.100.1", true},
		{"10.0.0.2:7", []string{"1.2.3.4", "198.51.100.1,10.0.0.3"}, "198.51.100.1", true},
		{"10.0.0.2:7", []string{"10.0.0.9, 10.0.0.3"}, "10.0.0.9", true},
		{"10.0.0.2:7", []string{"198.51.100.1, unknown"}, "10.0.0.2", true},
		{"[fd00::1]:7", []string{"[2001:db8::5]:4444"}, "2001:db8::5", true},
		{"[::ffff:10.0.0.2]:7", []string{"198.51.100.1:99"}, "198.51.100.1", true},
		{"@", []string{"198.51.100.1"}, "invalid IP", false},
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.RemoteAddr = c.from
		for _, h := range c.header {
			r.Header.Add("X-Forwarded-For", h)
		}
		got, proxied := s.unproxied(r)
		if peer(got).String() != c.want || proxied != c.proxied {
			t.Errorf("%+v: %s, %t", c, peer(got), proxied)
		}
	}
}

// A client behind a proxy has a bound of its own, though its connections are the proxy's.
func TestClientOfAProxyIsBounded(t *testing.T) {
	cfg, src := everything(true)
	cfg.Proxies = []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")}
	s := serve(t, cfg, src)
	get := func(client string) int {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+s.Addr()+"/station/rough/view", nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("X-Forwarded-For", client)
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { resp.Body.Close() })
		return resp.StatusCode
	}
	for i := range limit.PageEach {
		if status := get("198.51.100.1"); status != http.StatusOK {
			t.Fatalf("stream %d: %d", i, status)
		}
	}
	if status := get("198.51.100.1"); status != http.StatusServiceUnavailable {
		t.Errorf("one more: %d", status)
	}
	if status := get("198.51.100.2"); status != http.StatusOK {
		t.Errorf("another client: %d", status)
	}
}

// A viewer keeps nothing of what was sent to it, so that hundreds cost little. The drawings of this
// station are some 150 kB.
func TestViewersCostLittle(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	heap := func() int {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int(m.HeapAlloc)
	}
	const viewers = 60
	before := heap()
	var got atomic.Int64
	for range viewers {
		conn, err := net.Dial("tcp", s.Addr())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		go func() {
			piece := make([]byte, 1<<10)
			for {
				n, err := conn.Read(piece)
				if got.Add(int64(n)); err != nil {
					return
				}
			}
		}()
		if _, err := fmt.Fprintf(conn, "GET /station/rough/view?w=4000&h=4000&aw=4000&ah=4000&sw=4000&sh=4000 HTTP/1.1\r\nHost: %s\r\n\r\n", s.Addr()); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, "the drawings", func() bool { return got.Load() > viewers*(50<<10) })
	each := 0
	eventually(t, "the viewers to keep less than 32 kB each", func() bool {
		each = (heap() - before) / viewers
		return each < 32<<10
	})
	t.Logf("a viewer that was sent %d bytes keeps %d", got.Load()/viewers, each)
}

// holds are ways to hold a connection.
func holds(host string) map[string]string {
	get := func(path string) string { return "GET " + path + " HTTP/1.1\r\nHost: " + host + "\r\n" }
	return map[string]string{
		"a slow head":         get("/wall") + "X: ",
		"a body with a page":  get("/wall") + "Content-Length: 1\r\n\r\n",
		"a body with nothing": get("/nothing") + "Content-Length: 1\r\n\r\n",
		"a body in chunks":    get("/wall") + "Transfer-Encoding: chunked\r\n\r\n",
		"a slow action":       "POST /station/rough/do HTTP/1.1\r\nHost: " + host + "\r\nContent-Type: application/json\r\nContent-Length: 9\r\n\r\n{",
		"a slow text":         "POST /station/rough/do HTTP/1.1\r\nHost: " + host + "\r\nContent-Length: 9\r\n\r\n{",
		"a slow nothing":      "POST /nothing HTTP/1.1\r\nHost: " + host + "\r\nContent-Length: 9\r\n\r\n{",
		"unread answers":      strings.Repeat(get("/static/page.css")+"\r\n", 400),
		"an unread stream":    get("/station/rough/view?w=4000&h=4000&aw=4000&ah=4000") + "\r\n",
	}
}

// Whoever holds a connection without doing anything on it loses it, whatever he has sent.
func TestHeldConnectionsEnd(t *testing.T) {
	if testing.Short() {
		t.Skip("takes as long as a request may")
	}
	t.Parallel()
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	for what, sent := range holds(s.Addr()) {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			conn, err := net.Dial("tcp", s.Addr())
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			stream := strings.Contains(what, "stream")
			if err := conn.(*net.TCPConn).SetReadBuffer(4 << 10); err != nil {
				t.Fatal(err)
			}
			go io.WriteString(conn, sent) // it may not all be taken
			if stream {                   // it ends when nothing more can be sent
				eventually(t, "the stream to begin", func() bool { return src.viewers() > 0 })
				one, other := *src.Bore("rough"), *src.Bore("ready")
				other.Station = "rough"
				for end := time.Now().Add(time.Minute); src.viewers() > 0; time.Sleep(50 * time.Millisecond) {
					if time.Now().After(end) {
						t.Fatal("it is still open")
					}
					src.set(&one)
					time.Sleep(50 * time.Millisecond)
					src.set(&other)
				}
				return
			}
			if strings.HasPrefix(what, "unread") {
				time.Sleep(takenTime + 2*time.Second) // reading would be what it is about not to do
			}
			if err := conn.SetReadDeadline(time.Now().Add(40 * time.Second)); err != nil {
				t.Fatal(err)
			}
			if _, err := io.Copy(io.Discard, conn); isTimeout(err) {
				t.Error("it is still open")
			}
		})
	}
}

func isTimeout(err error) bool {
	e, ok := err.(net.Error)
	return ok && e.Timeout()
}

// Two thousand connections from one address, held in every way, leave the page open
// to others.
func TestOneAddressHoldsManyConnections(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	from := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, 2)}}
	if c, err := from.Dial("tcp", s.Addr()); err != nil {
		t.Skip("this machine has one loopback address:", err)
	} else {
		c.Close()
	}
	var sent []string
	for _, h := range holds(s.Addr()) {
		sent = append(sent, h)
	}
	const many = 2000
	dialed := make(chan net.Conn, many)
	go func() {
		defer close(dialed)
		for i := range many {
			c, err := from.Dial("tcp", s.Addr())
			if err != nil {
				t.Error(err)
				return
			}
			_ = c.SetWriteDeadline(time.Now().Add(time.Second))
			_, _ = io.WriteString(c, sent[i%len(sent)]) // it may have been turned away
			dialed <- c
		}
	}()
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 30 * time.Second}
	slowest, asked := time.Duration(0), 0
	look := func() {
		began := time.Now()
		resp, err := client.Get("http://" + s.Addr() + "/station/rough")
		if err != nil {
			t.Fatalf("the page does not answer: %v", err)
		}
		defer resp.Body.Close()
		if _, err := io.Copy(io.Discard, resp.Body); err != nil || resp.StatusCode != http.StatusOK {
			t.Fatalf("the page: %d, %v", resp.StatusCode, err)
		}
		slowest, asked = max(slowest, time.Since(began)), asked+1
	}
	held := 0
	for c := range dialed {
		t.Cleanup(func() { c.Close() })
		if held++; held%50 == 0 {
			look()
		}
	}
	for range 20 {
		look()
	}
	if held != many || s.Refused()["connections"] == 0 {
		t.Errorf("%d were held, and %d turned away", held, s.Refused()["connections"])
	}
	t.Logf("%d answers while %d connections were opened and held, %d of them turned away; the slowest took %s", asked, held, s.Refused()["connections"], slowest)
}
