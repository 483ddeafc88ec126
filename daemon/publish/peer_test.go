package publish

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"
	"golang.org/x/crypto/bcrypt"

	"fairbore/daemon/broker"
	"fairbore/daemon/event"
)

// need finds a program or skips; with FAIRBORE_ALL it must be there.
func need(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("FAIRBORE_ALL") != "" {
			t.Fatalf("%s is not in PATH", name)
		}
		t.Skipf("%s is not in PATH", name)
	}
	return path
}

// until polls for a condition.
func until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("timed out waiting until %s", what)
		}
	}
}

// freePort picks an address below the ports that outgoing connections take, so
// that none of those is on it when the broker comes.
func freePort(t testing.TB) string {
	t.Helper()
	for {
		addr := fmt.Sprintf("127.0.0.1:%d", 20_000+rand.N(12_000))
		if l, err := net.Listen("tcp", addr); err == nil {
			l.Close()
			return addr
		}
	}
}

// mosquitto is a real broker that can be killed and started again on its address.
type mosquitto struct {
	t    testing.TB
	addr string
	conf string
	cmd  *exec.Cmd
}

func startMosquitto(t testing.TB, extra ...string) *mosquitto {
	t.Helper()
	need(t, "mosquitto")
	dir := t.TempDir()
	m := &mosquitto{t: t, addr: freePort(t), conf: filepath.Join(dir, "m.conf")}
	_, port, _ := net.SplitHostPort(m.addr)
	// Started as root it would drop to a user that can't read the folder.
	lines := append([]string{"user root", "listener " + port + " 127.0.0.1", "set_tcp_nodelay true",
		"max_queued_messages 0", "max_inflight_messages 0"}, extra...)
	if len(extra) == 0 {
		lines = append(lines, "allow_anonymous true")
	}
	if err := os.WriteFile(m.conf, []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	m.start()
	t.Cleanup(m.kill)
	return m
}

func (m *mosquitto) start() {
	m.t.Helper()
	m.cmd = exec.Command(need(m.t, "mosquitto"), "-c", m.conf)
	if err := m.cmd.Start(); err != nil {
		m.t.Fatal(err)
	}
	until(m.t, "the broker listens", func() bool {
		c, err := net.Dial("tcp", m.addr)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

func (m *mosquitto) kill() {
	if m.cmd != nil {
		m.cmd.Process.Kill()
		m.cmd.Wait()
		m.cmd = nil
	}
}

// stop ends the broker as a service manager does.
func (m *mosquitto) stop() {
	m.t.Helper()
	if err := m.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		m.t.Fatal(err)
	}
	if err := m.cmd.Wait(); err != nil {
		m.t.Fatal(err)
	}
	m.cmd = nil
}

func (m *mosquitto) url() string { return "tcp://" + m.addr }

// quick is the usual pace with short waits.
func quick() pace {
	p := usualPace()
	p.first, p.most, p.settled = 10*time.Millisecond, 100*time.Millisecond, 2*time.Second
	p.ack, p.write, p.keepAlive, p.ping = 1500*time.Millisecond, time.Second, time.Second, time.Second
	return p
}

func config(url string) Config {
	return Config{Broker: url, ClientID: "daemon-1", Site: "quarry-lane", Stations: []string{"hone-bay-1", "hone-bay-2"}, Journal: "J1", Version: "test"}
}

// run starts a publisher and ends it with the test.
func run(t testing.TB, cfg Config, src Source, set func(*Publisher)) *Publisher {
	t.Helper()
	p, err := New(cfg, src, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	p.pace = quick()
	if set != nil {
		set(p)
	}
	stop(t, p)
	return p
}

// stop runs p and returns what ends it.
func stop(t testing.TB, p *Publisher) (end func()) {
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan struct{})
	go func() {
		defer close(over)
		if err := p.Run(ctx); err != nil {
			t.Error(err)
		}
	}()
	end = func() { cancel(); <-over }
	t.Cleanup(end)
	return end
}

// ear is a subscriber that keeps what it hears.
type ear struct {
	client  mqtt.Client
	mu      sync.Mutex
	msgs    []mqtt.Message
	checked int // of msgs, by seqs
	last    uint64
	repeats int
}

// listen subscribes to everything of the site; persistent sessions survive the broker.
func listen(t testing.TB, url string, set func(*mqtt.ClientOptions)) *ear {
	t.Helper()
	e := &ear{}
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID(fmt.Sprintf("ear-%d", time.Now().UnixNano())).
		SetConnectRetry(true).SetConnectRetryInterval(20 * time.Millisecond).SetMaxReconnectInterval(50 * time.Millisecond)
	if set != nil {
		set(o)
	}
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) {
		e.mu.Lock()
		defer e.mu.Unlock()
		e.msgs = append(e.msgs, m)
	})
	e.client = mqtt.NewClient(o)
	if tok := e.client.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal("subscriber can't connect: ", tok.Error())
	}
	if tok := e.client.Subscribe("fairbore/1/#", 1, nil); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal("subscriber can't subscribe: ", tok.Error())
	}
	t.Cleanup(func() { e.client.Disconnect(0) })
	return e
}

func (e *ear) all() []mqtt.Message {
	e.mu.Lock()
	defer e.mu.Unlock()
	return append([]mqtt.Message(nil), e.msgs...)
}

// on returns the payloads heard on topics ending in a leaf.
func (e *ear) on(leaf string) (out []string) {
	for _, m := range e.all() {
		if strings.HasSuffix(m.Topic(), "/"+leaf) {
			out = append(out, string(m.Payload()))
		}
	}
	return out
}

// seqs returns the numbers of the records heard, repeats removed as a receiver
// must, and how many repeats there were; a step back or a gap is a fault.
func (e *ear) seqs(t testing.TB) (last uint64, repeats int) {
	t.Helper()
	e.mu.Lock()
	defer e.mu.Unlock()
	for ; e.checked < len(e.msgs); e.checked++ {
		m := e.msgs[e.checked]
		if !strings.HasSuffix(m.Topic(), "/reading") && !strings.HasSuffix(m.Topic(), "/event") {
			continue
		}
		var r event.Record
		if err := json.Unmarshal(m.Payload(), &r); err != nil {
			t.Fatal(err)
		}
		switch {
		case r.Seq <= e.last:
			e.repeats++
		case r.Seq == e.last+1:
			e.last = r.Seq
		default:
			t.Fatalf("after record %d came %d: %d lost or out of order", e.last, r.Seq, r.Seq-e.last-1)
		}
	}
	return e.last, e.repeats
}

func (e *ear) heard(t testing.TB, n uint64) {
	t.Helper()
	until(t, fmt.Sprintf("record %d is heard", n), func() bool { last, _ := e.seqs(t); return last == n })
}

// embedded starts the daemon's own broker; own is for a publisher in another process.
func embedded(t testing.TB, users ...broker.User) (url string, own func(*Config), b *broker.Broker) {
	t.Helper()
	hash, err := bcrypt.GenerateFromPassword([]byte("swarf"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	users = append(users, broker.User{Name: "other", Hash: string(hash), Publish: true})
	b, err = broker.Open(broker.Config{Listen: "127.0.0.1:0", WebSocket: "127.0.0.1:0", Site: "quarry-lane", Anonymous: true, Users: users}, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan error)
	go func() { over <- b.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	})
	return "tcp://" + b.Addr(), func(c *Config) { c.User, c.Password = "other", "swarf" }, b
}

// mouth connects a client that sends.
func mouth(t testing.TB, url string, set func(*mqtt.ClientOptions)) mqtt.Client {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker(url).SetClientID("mouth")
	if set != nil {
		set(o)
	}
	c := mqtt.NewClient(o)
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatal("can't connect: ", tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return c
}

// proxy stands between publisher and broker and can swallow bytes of either
// direction, stop reading, or cut.
type proxy struct {
	t      testing.TB
	l      net.Listener
	target string
	mu     sync.Mutex
	up     bool // towards the broker: bytes vanish
	down   bool // towards the publisher: bytes vanish
	frozen bool // nothing is read at all
	conns  []net.Conn
	made   int
}

func startProxy(t testing.TB, target string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{t: t, l: l, target: target}
	go p.accept()
	t.Cleanup(func() { l.Close(); p.set(false, false, false); p.cut() })
	return p
}

func (p *proxy) url() string { return "tcp://" + p.l.Addr().String() }

func (p *proxy) accept() {
	for {
		in, err := p.l.Accept()
		if err != nil {
			return
		}
		out, err := net.Dial("tcp", p.target)
		if err != nil {
			in.Close()
			continue
		}
		p.mu.Lock()
		p.made++
		p.conns = append(p.conns, in, out)
		p.mu.Unlock()
		go p.copy(out, in, func() bool { return p.up })
		go p.copy(in, out, func() bool { return p.down })
	}
}

func (p *proxy) copy(dst, src net.Conn, swallow func() bool) {
	defer dst.Close()
	defer src.Close()
	buf := make([]byte, 4096)
	for {
		for p.is(func() bool { return p.frozen }) {
			time.Sleep(time.Millisecond)
		}
		n, err := src.Read(buf)
		if n > 0 && !p.is(swallow) {
			dst.Write(buf[:n])
		}
		if err != nil {
			return
		}
	}
}

func (p *proxy) is(f func() bool) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return f()
}

func (p *proxy) set(up, down, frozen bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.up, p.down, p.frozen = up, down, frozen
}

func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		c.Close()
	}
	p.conns = nil
}

func sigkill(c *exec.Cmd) error { return c.Process.Signal(syscall.SIGKILL) }

func freeze(c *exec.Cmd) error { return c.Process.Signal(syscall.SIGSTOP) }
