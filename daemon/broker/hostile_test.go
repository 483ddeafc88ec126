package broker

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/limit"
)

// dialFrom connects from an address of this machine.
func dialFrom(b *Broker, from string) (net.Conn, error) {
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}, Timeout: 10 * time.Second}
	return d.Dial("tcp", b.Addr())
}

// More connections than the broker takes in all leave a place for a display with a password: such as say
// nothing, begin a CONNECT and don't end it, or need no user and stay; from one address or from many.
func TestHostileConnections(t *testing.T) {
	const many = 2500
	for name, from := range map[string]func(i int) string{
		"one address":    func(int) string { return "127.0.0.2" },
		"many addresses": func(i int) string { return fmt.Sprintf("127.0.%d.%d", 1+i%40, 1+i%200) },
	} {
		for what, says := range map[string][]byte{
			"silent":     nil,
			"half":       quiet[:7],
			"without":    quiet,
			"subscribes": join(quiet, packet(0x82, []byte{0, 1}, text("#"), []byte{0})),
		} {
			t.Run(name+"/"+what, func(t *testing.T) {
				b := start(t, Config{Anonymous: true, Users: []User{{Name: "wall", Hash: hash(t, "p")}}})
				var mu sync.Mutex
				var held []net.Conn
				t.Cleanup(func() {
					for _, c := range held {
						c.Close()
					}
				})
				var hostile sync.WaitGroup
				for worker := range 20 {
					hostile.Go(func() {
						for i := worker; i < many; i += 20 {
							c, err := dialFrom(b, from(i))
							if err != nil {
								continue // refused, which is the broker's good right
							}
							c.Write(says)
							mu.Lock()
							held = append(held, c)
							mu.Unlock()
						}
					})
				}
				in := func() {
					c, err := try(t, options(b, "wall", "wall", "p"))
					if err != nil {
						t.Fatalf("the display is kept out: %v", err)
					}
					c.Disconnect(0)
				}
				in() // while they come
				hostile.Wait()
				in() // when all are there
				if len(held) < many*9/10 {
					t.Errorf("only %d have connected", len(held))
				}
				if b.Stats().Crowded == 0 {
					t.Error("none are counted as refused")
				}
			})
		}
	}
}

// inBubble serves a connection of a broker in a bubble of synctest, whose clock needs no waiting.
func inBubble(t *testing.T, b *Broker) *wire {
	here, there := net.Pipe()
	b.served.Go(func() { b.serve(t.Context(), there) })
	return &wire{t, here, nil}
}

// bubble runs a test with a broker whose clock needs no waiting.
func bubble(t *testing.T, cfg Config, test func(t *testing.T, b *Broker)) {
	b := opened(t, cfg) // outside, because its listener is real
	defer b.Close()
	synctest.Test(t, func(t *testing.T) {
		test(t, b)
		b.served.Wait()
	})
}

// served returns how long a connection is served that sends something, and then more of it a byte each
// pause.
func served(t *testing.T, b *Broker, says []byte, pause time.Duration, slowly []byte) time.Duration {
	w := inBubble(t, b)
	defer w.Close()
	began := time.Now()
	go io.Copy(io.Discard, w.Conn)
	w.send(says)
	for _, c := range slowly {
		if _, err := w.Write([]byte{c}); err != nil {
			return time.Since(began)
		}
		time.Sleep(pause)
	}
	b.served.Wait()
	return time.Since(began)
}

// A client has 5 s for its CONNECT, however slowly it sends, and then what its keep-alive says, and
// half as long again. Without a user it has a bound even if it wants none. A packet that never comes
// to its end holds nothing longer.
func TestDeadlines(t *testing.T) {
	login := func(keepAlive uint16) []byte { return connectPacket(mqtt311, "x", "", "", true, keepAlive, 0) }
	long := packet(0x82, []byte{0, 1}, text(strings.Repeat("x", 100)), []byte{0})
	for name, c := range map[string]struct {
		says   []byte
		pause  time.Duration
		slowly []byte
		want   time.Duration
	}{
		"silent":                         {nil, 0, nil, loginIn},
		"half of a CONNECT":              {login(60)[:9], 0, nil, loginIn},
		"a CONNECT, a byte a second":     {nil, time.Second, login(60), loginIn},
		"keep-alive of 60 s":             {login(60), 0, nil, 90 * time.Second},
		"no keep-alive":                  {login(0), 0, nil, idleMost},
		"half of a packet":               {login(60), 0, []byte{0x82, 5, 0}, 90 * time.Second},
		"a packet, a byte a half minute": {login(0), 30 * time.Second, long, idleMost},
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, Config{Anonymous: true}, func(t *testing.T, b *Broker) {
				if got := served(t, b, c.says, c.pause, c.slowly); got < c.want || got > c.want+c.pause {
					t.Errorf("served for %s, want %s", got, c.want)
				}
			})
		})
	}
}

// A client that reads nothing is cut off.
func TestReadsNothing(t *testing.T) {
	bubble(t, Config{Anonymous: true}, func(t *testing.T, b *Broker) {
		w := inBubble(t, b)
		defer w.Close()
		began := time.Now()
		w.send(connectPacket(mqtt311, "x", "", "", true, 0, 0)) // and does not read the answer
		b.served.Wait()
		if took := time.Since(began); took > writeTimeout+time.Second {
			t.Errorf("it took %s", took)
		}
		if b.Stats().Slow != 1 {
			t.Errorf("counted: %+v", b.Stats())
		}
	})
}

// What is retained stays, however old it is, unless its sender has said how long.
func TestRetainedForDays(t *testing.T) {
	bubble(t, Config{Anonymous: true}, func(t *testing.T, b *Broker) {
		if err := b.Publish(topic+"bore", []byte("state"), true, 1); err != nil {
			t.Fatal(err)
		}
		b.publish(&message{topic: topic + "alive", payload: []byte("x"), qos: 1, retain: true, life: time.Hour})
		for range 40 {
			time.Sleep(time.Hour)
			b.forgetAbsent(time.Now())
		}
		w := inBubble(t, b)
		var got bytes.Buffer
		done := make(chan struct{})
		go func() { defer close(done); io.Copy(&got, w.Conn) }()
		w.send(connectPacket(mqtt311, "x", "", "", true, 60, 0), packet(0x82, []byte{0, 1}, text("fairbore/#"), []byte{1}))
		synctest.Wait()
		w.Close()
		<-done
		if want := published(mqtt311, 1, topic+"bore", 1, "state"); !bytes.HasSuffix(got.Bytes(), want) {
			t.Errorf("after 40 hours came % x", got.Bytes())
		}
	})
}

// A failure in serving one client ends that client only, in whichever goroutine it is, and is
// written to the log and counted.
func TestPanicEndsOneClient(t *testing.T) {
	var log lines
	b := opened(t, Config{Anonymous: true, Users: []User{{Name: "pedal", Hash: hash(t, "p"), Command: true}}})
	b.log = zerolog.New(&log)
	serve(t, b)
	if err := b.Subscribe(topic+"do", func(string, []byte, bool) { panic("as in a fault of the program") }); err != nil {
		t.Fatal(err)
	}
	beside := own(t, b)
	pedal := dial(t, b)
	pedal.hello(connectPacket(mqtt311, "pedal", "pedal", "p", true, 60, 0))
	pedal.send(published(mqtt311, 0, topic+"do", 1, "x"))
	pedal.ends("whom it was served for")

	reader := dial(t, b)
	reader.hello(connectPacket(mqtt311, "reader", "", "", true, 60, 0))
	var q *queue
	for _, s := range b.connectedSessions() {
		if s.key.id == "reader" {
			q = &s.queue
		}
	}
	q.mu.Lock()
	q.waiting = append(q.waiting, item{qos: 1})
	q.to.awake()
	q.mu.Unlock()
	reader.ends("whom it was written for")

	until(t, "both are gone", func() bool { return b.Stats().Clients == 1 })
	if n := b.Stats().Panics; n != 2 {
		t.Errorf("%d are counted", n)
	}
	if got := log.String(); strings.Count(got, "stack") < 2 || !strings.Contains(got, "as in a fault of the program") {
		t.Errorf("the log: %s", got)
	}
	if err := done(t, beside.Publish(topic+"event", 1, false, "x")); err != nil {
		t.Errorf("the client beside: %v", err)
	}
	own(t, b)
}

// lines is a log.
type lines struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.String()
}

// Wrong passwords are counted and in the log, with the address and without the password, but not each
// of them; after too many of them none is looked at. Who has logged in well before gets in meanwhile.
func TestGuesses(t *testing.T) {
	var log lines
	now := time.Now() // and stays so: a slow machine gets no more guesses
	guesses := limit.NewGuesses(func() time.Time { return now })
	b := opened(t, Config{Guesses: guesses, Users: []User{{Name: "wall", Hash: hash(t, "p")}}})
	b.log = zerolog.New(&log)
	serve(t, b)
	enter := func(from, user, password string) byte {
		c, err := dialFrom(b, from)
		if err != nil {
			t.Fatal(err)
		}
		w := wired(t, c)
		w.send(connectPacket(mqtt311, user, user, password, true, 60, 0))
		_, body := w.comes(connack)
		return body[1]
	}
	if got := enter("127.0.0.3", "wall", "p"); got != 0 {
		t.Fatalf("the display: %d", got)
	}
	codes := map[byte]int{}
	for i := range 200 {
		codes[enter(fmt.Sprintf("127.0.7.%d", 1+i%40), []string{"wall", "nobody-s3cret"}[i%2], "s3cret-guess")]++
	}
	if codes[5] == 0 || codes[5] > 30 || codes[3] != 200-codes[5] {
		t.Errorf("answers by code: %v; want up to 30 refused as wrong, and the rest put off", codes)
	}
	if got := enter("127.0.0.3", "wall", "p"); got != 0 {
		t.Errorf("the display is refused: %d", got)
	}
	if s := b.Stats(); s.Guesses != 200 || s.Refused != 0 {
		t.Errorf("counted: %+v", s)
	}
	got := log.String()
	if n := strings.Count(got, "\n"); n == 0 || n > 100 || !strings.Contains(got, `"from":"127.0.7.1"`) {
		t.Errorf("%d lines: %s", n, got)
	}
	if strings.Contains(got, "s3cret") {
		t.Errorf("a password or an unknown name is in the log: %s", got)
	}
}

// The end of the program does not wait for a check of a password.
func TestEndsWhileChecking(t *testing.T) {
	b := opened(t, Config{Users: []User{{Name: "wall", Hash: hash(t, "p")}}})
	ctx, cancel := context.WithCancel(t.Context())
	over := make(chan error, 1)
	go func() { over <- b.Run(ctx) }()
	w := dial(t, b)
	w.send(connectPacket(mqtt311, "wall", "wall", "p", true, 60, 0))
	cancel()
	select {
	case err := <-over:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(20 * time.Second):
		t.Error("it has not ended")
	}
}
