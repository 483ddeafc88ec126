package daemontest

import (
	"bufio"
	"encoding/json"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"fairbore/daemon/event"
)

// Mosquitto is a separate broker.
type Mosquitto struct {
	t    testing.TB
	Addr string
	conf string
	proc *exec.Cmd
}

// NewMosquitto starts a broker, with extra lines of configuration, and ends it when the test ends.
func NewMosquitto(t testing.TB, dir string, lines ...string) *Mosquitto {
	m := &Mosquitto{t: t, Addr: FreePort(t), conf: filepath.Join(dir, "mosquitto.conf")}
	_, port, _ := net.SplitHostPort(m.Addr)
	text := "user root\nset_tcp_nodelay true\nmax_queued_messages 0\nlistener " + port + " 127.0.0.1\n" + strings.Join(lines, "\n") + "\n"
	if err := os.WriteFile(m.conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	m.Start()
	t.Cleanup(m.Kill)
	return m
}

// Start starts the broker, for the first time or again.
func (m *Mosquitto) Start() {
	m.t.Helper()
	m.proc = exec.Command("mosquitto", "-c", m.conf)
	if err := m.proc.Start(); err != nil {
		m.t.Fatal(err)
	}
	for end := time.Now().Add(5 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		c, err := net.Dial("tcp", m.Addr)
		if err == nil {
			c.Close()
			return
		}
		if time.Now().After(end) {
			m.t.Fatalf("mosquitto does not listen: %v", err)
		}
	}
}

// Kill ends the broker at once.
func (m *Mosquitto) Kill() {
	m.proc.Process.Kill()
	m.proc.Wait()
}

// Stop ends the broker properly, so that it saves its data.
func (m *Mosquitto) Stop() {
	m.proc.Process.Signal(syscall.SIGTERM)
	m.proc.Wait()
}

// Publish sends a message as another client of the broker.
func (m *Mosquitto) Publish(topic, payload string) {
	m.t.Helper()
	host, port, _ := net.SplitHostPort(m.Addr)
	pub := exec.Command("mosquitto_pub", "-h", host, "-p", port, "-q", "1", "-t", topic, "-s")
	pub.Stdin = strings.NewReader(payload)
	if out, err := pub.CombinedOutput(); err != nil {
		m.t.Fatalf("%v: %s", err, out)
	}
}

// Subscription is mosquitto_sub on all topics of the site, collecting lines of topic and payload.
type Subscription struct {
	Mu    sync.Mutex
	Lines []string
}

// Subscribe follows all topics of the site at a broker until the test ends.
func Subscribe(t testing.TB, addr string, args ...string) *Subscription {
	t.Helper()
	s := &Subscription{}
	Follow(t, addr, func(line string) {
		s.Mu.Lock()
		s.Lines = append(s.Lines, line)
		s.Mu.Unlock()
	}, args...)
	return s
}

// Follow runs mosquitto_sub on all topics of the site until the test ends. It calls each with every
// message: topic, a space and the payload.
func Follow(t testing.TB, addr string, each func(line string), args ...string) {
	t.Helper()
	host, port, _ := net.SplitHostPort(addr)
	sub := exec.Command("mosquitto_sub", append([]string{"-h", host, "-p", port, "-q", "1", "-v", "-t", "fairbore/1/test/#"}, args...)...)
	out, err := sub.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	sub.Stderr = os.Stderr
	if err := sub.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		in := bufio.NewScanner(out)
		in.Buffer(nil, 1<<20)
		for in.Scan() {
			each(in.Text())
		}
	}()
	t.Cleanup(func() { sub.Process.Kill(); sub.Wait() })
}

// Records returns the records that came on topics with a last level, in order.
func (s *Subscription) Records(t testing.TB, leaf string) []event.Record {
	t.Helper()
	s.Mu.Lock()
	defer s.Mu.Unlock()
	var out []event.Record
	for _, l := range s.Lines {
		topic, payload, _ := strings.Cut(l, " ")
		if !strings.HasSuffix(topic, "/bay2/"+leaf) {
			continue
		}
		var r event.Record
		if err := json.Unmarshal([]byte(payload), &r); err != nil {
			t.Fatalf("%s: %v", l, err)
		}
		out = append(out, r)
	}
	return out
}

// Replies returns the replies to commands that have come, in order.
func (s *Subscription) Replies(t testing.TB) (out []event.Reply) {
	t.Helper()
	s.Mu.Lock()
	defer s.Mu.Unlock()
	for _, l := range s.Lines {
		if topic, payload, _ := strings.Cut(l, " "); strings.HasSuffix(topic, "/bay2/done") {
			var x event.Reply
			if err := json.Unmarshal([]byte(payload), &x); err != nil {
				t.Fatalf("%q: %v", l, err)
			}
			out = append(out, x)
		}
	}
	return out
}

// Has reports whether a line with a text has come.
func (s *Subscription) Has(text string) bool {
	s.Mu.Lock()
	defer s.Mu.Unlock()
	for _, l := range s.Lines {
		if strings.Contains(l, text) {
			return true
		}
	}
	return false
}
