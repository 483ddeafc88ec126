package broker

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"
	"golang.org/x/crypto/bcrypt"

	"fairbore/daemon/daemontest"
)

const topic = "fairbore/1/quarry-lane/hone-bay-1/"

func until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("timed out waiting until %s", what)
		}
	}
}

// hash is cheap, for tests only.
func hash(t testing.TB, password string) string {
	t.Helper()
	h, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	return string(h)
}

func start(t testing.TB, cfg Config) *Broker {
	t.Helper()
	b := opened(t, cfg)
	serve(t, b)
	return b
}

// The user of another daemon, which may publish.
const other, otherSecret = "grinding", "swarf"

func opened(t testing.TB, cfg Config) *Broker {
	t.Helper()
	cfg.Users = append(slices.Clip(cfg.Users), User{Name: other, Hash: hash(t, otherSecret), Publish: true})
	cfg.Listen, cfg.Site = "127.0.0.1:0", "quarry-lane"
	b, err := Open(cfg, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func serve(t testing.TB, b *Broker) {
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan error, 1)
	go func() { over <- b.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
		if _, err := net.Dial("tcp", b.Addr()); err == nil {
			t.Error("still listens after Run")
		}
	})
}

func options(b *Broker, id, user, password string) *mqtt.ClientOptions {
	return mqtt.NewClientOptions().AddBroker("tcp://" + b.Addr()).SetClientID(id).SetUsername(user).SetPassword(password).
		SetAutoReconnect(false).SetProtocolVersion(4)
}

func try(t testing.TB, o *mqtt.ClientOptions) (mqtt.Client, error) {
	t.Helper()
	c := mqtt.NewClient(o)
	tok := c.Connect()
	if !tok.WaitTimeout(10 * time.Second) {
		t.Fatal("no answer to the connection")
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return c, tok.Error()
}

func login(t testing.TB, b *Broker, id, user, password string) mqtt.Client {
	t.Helper()
	c, err := try(t, options(b, id, user, password))
	if err != nil {
		t.Fatalf("%s as %q: %v", id, user, err)
	}
	return c
}

func own(t testing.TB, b *Broker) mqtt.Client {
	return login(t, b, "own", other, otherSecret)
}

func done(t testing.TB, tok mqtt.Token) error {
	t.Helper()
	if !tok.WaitTimeout(10 * time.Second) {
		t.Fatal("no answer")
	}
	return tok.Error()
}

// box keeps what a subscriber gets.
type box struct {
	mu  sync.Mutex
	got []string
}

func (x *box) put(_ mqtt.Client, m mqtt.Message) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.got = append(x.got, fmt.Sprintf("%s %s %t", m.Topic(), m.Payload(), m.Retained()))
}

func (x *box) all() []string {
	x.mu.Lock()
	defer x.mu.Unlock()
	return append([]string(nil), x.got...)
}

func TestLogin(t *testing.T) {
	cfg := Config{Users: []User{{Name: "wall", Hash: hash(t, "oil")}}}
	for _, anonymous := range []bool{false, true} {
		cfg.Anonymous = anonymous
		b := start(t, cfg)
		for i, c := range []struct {
			user, password string
			want           bool
		}{
			{"wall", "oil", true}, {"wall", "water", false}, {"wall", "", false}, {"nobody", "oil", false},
			{"", "", anonymous}, {other, otherSecret, true}, {other, "oil", false}, {other, "", false},
		} {
			_, err := try(t, options(b, fmt.Sprint("c", i), c.user, c.password))
			if (err == nil) != c.want {
				t.Errorf("anonymous %t: %q with %q: %v", anonymous, c.user, c.password, err)
			}
		}
		if s := b.Stats(); s.Guesses == 0 || !anonymous && s.Refused == 0 {
			t.Error("refusals are not counted")
		}
	}
}

// Each right is checked with a message that does arrive behind the one that must not.
func TestRights(t *testing.T) {
	b := start(t, Config{Anonymous: true, Users: []User{
		{Name: "wall", Hash: hash(t, "p")},
		{Name: "pedal", Hash: hash(t, "p"), Command: true},
		{Name: "daemon-2", Hash: hash(t, "p"), Publish: true},
	}})
	o := own(t, b)
	var reader, taker box
	r := login(t, b, "reader", "", "")
	if err := done(t, r.Subscribe("#", 1, reader.put)); err != nil {
		t.Fatal(err)
	}
	if err := done(t, o.Subscribe("fairbore/1/quarry-lane/+/do", 1, taker.put)); err != nil {
		t.Fatal(err)
	}
	for i, c := range []struct {
		user, topic string
		want        bool
	}{
		{"daemon-2", topic + "reading", true},
		{"daemon-2", topic + "do", false},
		{"daemon-2", topic + "reading/deeper", false},
		{"daemon-2", "fairbore/1/quarry-lane/reading", false},
		{"daemon-2", "fairbore/1/elsewhere/hone-bay-1/reading", false},
		{"daemon-2", "fairbore/2/quarry-lane/hone-bay-1/reading", false},
		{"daemon-2", topic + "other", false},
		{"daemon-2", "other", false},
		{"daemon-2", "$SYS/broker/load", false}, // which the library takes no notice of
		{"daemon-2", "$sys", false},
		{"daemon-2", "$share/group/" + topic + "reading", false},
		{"pedal", topic + "do", true},
		{"pedal", topic + "do/deeper", false},
		{"pedal", topic + "reading", false},
		{"wall", topic + "reading", false},
		{"wall", topic + "do", false},
		{"", topic + "bore", false},
		{"", topic + "do", false},
	} {
		password := "p"
		if c.user == "" {
			password = ""
		}
		cl := login(t, b, fmt.Sprint("c", i), c.user, password)
		// MQTT 3.1.1 can refuse a message only by a cut.
		if err := done(t, cl.Publish(c.topic, 1, false, fmt.Sprint(i))); (err == nil) != c.want {
			t.Errorf("%q to %s: %v", c.user, c.topic, err)
		}
		if err := done(t, o.Publish(topic+"event", 1, false, fmt.Sprintf("mark %d", i))); err != nil {
			t.Fatal(err)
		}
		mark := topic + fmt.Sprintf("event mark %d false", i)
		until(t, mark, func() bool { return contains(reader.all(), mark) })
		line := fmt.Sprintf("%s %d false", c.topic, i)
		if strings.HasSuffix(c.topic, "/do") {
			if contains(reader.all(), line) {
				t.Errorf("a display reads commands: %s", line)
			}
			if c.want {
				until(t, line, func() bool { return contains(taker.all(), line) })
			}
		} else if c.want { // the library acknowledges before it passes on
			until(t, line, func() bool { return contains(reader.all(), line) })
		}
		if !c.want && (contains(taker.all(), line) || contains(reader.all(), line)) {
			t.Errorf("%q got through to %s", c.user, c.topic)
		}
	}
	if code := granted(t, r, topic+"do"); code != 0x80 {
		t.Errorf("anonymous subscription to commands: %#x", code)
	}
	if code := granted(t, r, "$SYS/#"); code != 0x80 {
		t.Errorf("anonymous subscription to $SYS: %#x", code)
	}
	if code := granted(t, r, "fairbore/1/quarry-lane/+/bore"); code > 2 {
		t.Errorf("anonymous subscription to bores: %#x", code)
	}
}

func contains(lines []string, want string) bool {
	for _, l := range lines {
		if l == want {
			return true
		}
	}
	return false
}

func granted(t *testing.T, c mqtt.Client, filter string) byte {
	t.Helper()
	tok := c.Subscribe(filter, 1, nil)
	if !tok.WaitTimeout(10 * time.Second) {
		t.Fatal("no answer to the subscription")
	}
	return tok.(*mqtt.SubscribeToken).Result()[filter]
}

// MQTT 5 can refuse a message and keep the connection; one below $SYS is answered too.
func TestRefusedByAcknowledgement(t *testing.T) {
	daemontest.Needs(t, "mosquitto_pub")
	b := start(t, Config{})
	host, port, _ := net.SplitHostPort(b.Addr())
	for i, topic := range []string{"other", "$SYS/broker/load"} {
		for _, qos := range []string{"1", "2"} {
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
			out, err := exec.CommandContext(ctx, "mosquitto_pub", "-h", host, "-p", port, "-V", "5", "-u", other, "-P", otherSecret, "-q", qos, "-t", topic, "-m", "x").CombinedOutput()
			cancel()
			if ctx.Err() == context.DeadlineExceeded || !strings.Contains(string(out), "Not authorized") {
				t.Errorf("%s at QoS %s: %v: %s", topic, qos, err, out)
			}
		}
		if got := b.Stats().Refused; got != uint64(2*i+2) {
			t.Errorf("%d are counted as refused after %s", got, topic)
		}
	}
}

// A last will is a message, and needs the right to publish it.
func TestWillNeedsTheRight(t *testing.T) {
	b := start(t, Config{Users: []User{{Name: "wall", Hash: hash(t, "p")}, {Name: "pedal", Hash: hash(t, "p"), Command: true}}})
	for _, c := range []struct {
		user, leaf string
		want       bool
	}{{"wall", "alive", false}, {"wall", "do", false}, {"pedal", "do", true}, {"pedal", "alive", false}} {
		_, err := try(t, options(b, c.user+c.leaf, c.user, "p").SetWill(topic+c.leaf, "x", 1, true))
		if (err == nil) != c.want {
			t.Errorf("%s with a will on %s: %v", c.user, c.leaf, err)
		}
	}
	if _, err := try(t, options(b, "own", other, otherSecret).SetWill(topic+"alive", "x", 1, true)); err != nil {
		t.Errorf("the will of another daemon: %v", err)
	}
}

// Somebody without a user who takes the client id of another daemon, or of a display with a user or at
// another address, neither throws it out nor keeps it out.
func TestClientIDIsNotTakenOver(t *testing.T) {
	b := start(t, Config{Anonymous: true, Users: []User{{Name: "wall", Hash: hash(t, "p")}}})
	o := own(t, b)
	open, err := try(t, options(b, "open", "", ""))
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"own", "wall", "open"} {
		c, err := dialFrom(b, "127.0.0.9")
		if err != nil {
			t.Fatal(err)
		}
		wired(t, c).hello(connectPacket(mqtt311, id, "", "", true, 60, 0))
	}
	if !open.IsConnectionOpen() || done(t, open.Subscribe(topic+"event", 1, nil)) != nil {
		t.Error("another address has thrown out a display without a user")
	}
	if _, err := try(t, options(b, "wall", "wall", "p")); err != nil {
		t.Errorf("the display is kept out: %v", err)
	}
	if !o.IsConnectionOpen() || done(t, o.Publish(topic+"event", 1, false, "x")) != nil {
		t.Error("the daemon was thrown out")
	}
	if _, err := try(t, options(b, "own", other, otherSecret)); err != nil {
		t.Errorf("the daemon's next connection: %v", err)
	}
}

// A packet above the limit ends the connection; one below passes.
func TestPacketSize(t *testing.T) {
	b := start(t, Config{Anonymous: true})
	var x box
	r := login(t, b, "r", "", "")
	if err := done(t, r.Subscribe(topic+"event", 0, func(c mqtt.Client, m mqtt.Message) { x.put(c, m) })); err != nil {
		t.Fatal(err)
	}
	o := own(t, b)
	if err := done(t, o.Publish(topic+"event", 1, false, strings.Repeat("x", 200_000))); err != nil {
		t.Errorf("200 kB: %v", err)
	}
	until(t, "200 kB arrive", func() bool { return len(x.all()) == 1 })
	if err := done(t, o.Publish(topic+"event", 1, false, strings.Repeat("x", maxPacket+1))); err == nil {
		t.Error("more than the limit is taken")
	}
}

func TestClientLimit(t *testing.T) {
	b := start(t, Config{Anonymous: true, Clients: 4})
	for _, id := range []string{"1", "2"} {
		login(t, b, id, "", "")
	}
	if _, err := try(t, options(b, "3", "", "")); err == nil {
		t.Error("an address without a user has more than half of the places")
	}
	for _, id := range []string{"4", "5"} {
		login(t, b, id, other, otherSecret)
	}
	if _, err := try(t, options(b, "6", other, otherSecret)); err == nil {
		t.Error("a fifth client got in")
	}
	if s := b.Stats(); s.Clients != 4 || s.Crowded != 2 {
		t.Errorf("counted: %+v", s)
	}
}

func (b *Broker) subscriptions() (n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.sessions {
		n += len(s.filters)
	}
	return n
}

// Three thousand messages to a real subscriber that declares a small receive
// maximum: it gets no more than that at once, and all of them in order.
func TestSmallReceiveMaximum(t *testing.T) {
	daemontest.Needs(t, "mosquitto_sub")
	b := start(t, Config{Anonymous: true})
	host, port, _ := net.SplitHostPort(b.Addr())
	cmd := exec.Command("mosquitto_sub", "-h", host, "-p", port, "-V", "5", "-D", "CONNECT", "receive-maximum", "10", "-q", "1",
		"-t", "fairbore/1/#", "-C", "3000", "-W", "30", "-F", "%p")
	var out bytes.Buffer
	cmd.Stdout = &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	until(t, "the subscriber is there", func() bool { return b.Stats().Clients == 1 })
	o := own(t, b)
	until(t, "it has subscribed", func() bool { return b.subscriptions() == 1 })
	var toks []mqtt.Token
	for i := range 3000 {
		toks = append(toks, o.Publish(topic+"reading", 1, false, fmt.Sprint(i)))
	}
	for _, tok := range toks {
		if err := done(t, tok); err != nil {
			t.Fatal(err)
		}
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v after %d lines", err, bytes.Count(out.Bytes(), []byte("\n")))
	}
	for i, line := range strings.Fields(out.String()) {
		if line != fmt.Sprint(i) {
			t.Fatalf("message %d is %s", i, line)
		}
	}
}

// What a subscriber is too slow for is dropped and counted; the publisher goes on.
func TestDroppedIsCounted(t *testing.T) {
	b := start(t, Config{Anonymous: true})
	r := login(t, b, "r", "", "")
	block := make(chan struct{})
	defer close(block)
	if err := done(t, r.Subscribe("fairbore/1/#", 0, func(mqtt.Client, mqtt.Message) { <-block })); err != nil {
		t.Fatal(err)
	}
	o := own(t, b)
	payload := strings.Repeat("x", 100_000)
	for range 2000 {
		var toks []mqtt.Token
		for range 20 {
			toks = append(toks, o.Publish(topic+"event", 1, false, payload))
		}
		for _, tok := range toks {
			if err := done(t, tok); err != nil {
				t.Fatal(err)
			}
		}
		if b.Stats().Dropped > 0 {
			return
		}
	}
	t.Error("nothing was dropped, or it was not counted")
}

func TestOpenFaults(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	good := Config{Listen: "127.0.0.1:0", Site: "quarry-lane"}
	for want, set := range map[string]func(*Config){
		"address already in use": func(c *Config) { c.Listen = l.Addr().String() },
		"give host:port":         func(c *Config) { c.Listen = "1883" },
		"site: give":             func(c *Config) { c.Site = "" },
		"as a hash, not as text": func(c *Config) { c.Users = []User{{Name: "wall", Hash: "oil"}} },
		`user "wall": named twice`: func(c *Config) {
			c.Users = []User{{Name: "wall", Hash: hash(t, "p")}, {Name: "wall", Hash: hash(t, "p")}}
		},
		"session expiry 1s":                 func(c *Config) { c.Expiry = time.Second },
		"clients -1":                        func(c *Config) { c.Clients = -1 },
		"give both the certificate file":    func(c *Config) { c.CertFile = "x" },
		"broker certificate: open /nowhere": func(c *Config) { c.CertFile, c.KeyFile = "/nowhere", "/nowhere" },
	} {
		cfg := good
		set(&cfg)
		if b, err := Open(cfg, zerolog.Nop()); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
			if b != nil {
				b.Close()
			}
		}
	}
	// What failed, or was closed unused, has freed its address.
	b, err := Open(good, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	addr := b.Addr()
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	again, err := net.Listen("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	again.Close()
}

func TestHash(t *testing.T) {
	h, err := Hash("oil and stones")
	if err != nil {
		t.Fatal(err)
	}
	if bcrypt.CompareHashAndPassword([]byte(h), []byte("oil and stones")) != nil || strings.Contains(h, "oil") {
		t.Error(h)
	}
	for _, bad := range []string{"", strings.Repeat("x", 73)} {
		if _, err := Hash(bad); err == nil {
			t.Errorf("%d bytes are taken", len(bad))
		}
	}
}
