package publish

import (
	"context"
	"encoding/json"
	"fmt"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"

	"fairbore/daemon/event"
	"fairbore/daemon/mqtt"
	"fairbore/daemon/publishtest"
)

func config(url string) Config {
	return Config{
		Config: mqtt.Config{Broker: url, ClientID: "daemon-1", Waits: publishtest.Quick()},
		Site:   "quarry-lane", Stations: []string{"hone-bay-1", "hone-bay-2"}, Journal: "J1", Version: "test",
	}
}

// run starts a publisher and ends it with the test.
func run(t testing.TB, cfg Config, src Source, set func(*Publisher)) *Publisher {
	t.Helper()
	p, err := New(cfg, src, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
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
	client  paho.Client
	mu      sync.Mutex
	msgs    []paho.Message
	checked int // of msgs, by seqs
	last    uint64
	repeats int
}

// listen subscribes to everything of the site; persistent sessions survive the broker.
func listen(t testing.TB, url string, set func(*paho.ClientOptions)) *ear {
	t.Helper()
	e := &ear{}
	o := paho.NewClientOptions().AddBroker(url).SetClientID(fmt.Sprintf("ear-%d", time.Now().UnixNano())).
		SetConnectRetry(true).SetConnectRetryInterval(20 * time.Millisecond).SetMaxReconnectInterval(50 * time.Millisecond)
	if set != nil {
		set(o)
	}
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		e.mu.Lock()
		defer e.mu.Unlock()
		e.msgs = append(e.msgs, m)
	})
	e.client = paho.NewClient(o)
	if tok := e.client.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal("subscriber can't connect: ", tok.Error())
	}
	if tok := e.client.Subscribe("fairbore/1/#", 1, nil); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal("subscriber can't subscribe: ", tok.Error())
	}
	t.Cleanup(func() { e.client.Disconnect(0) })
	return e
}

func (e *ear) all() []paho.Message {
	e.mu.Lock()
	defer e.mu.Unlock()
	return append([]paho.Message(nil), e.msgs...)
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
	publishtest.Until(t, fmt.Sprintf("record %d is heard", n), func() bool { last, _ := e.seqs(t); return last == n })
}

func sigkill(c *exec.Cmd) error { return c.Process.Signal(syscall.SIGKILL) }

func freeze(c *exec.Cmd) error { return c.Process.Signal(syscall.SIGSTOP) }

// mouth connects a client that sends.
func mouth(t testing.TB, url string, set func(*paho.ClientOptions)) paho.Client {
	t.Helper()
	o := paho.NewClientOptions().AddBroker(url).SetClientID("mouth")
	if set != nil {
		set(o)
	}
	c := paho.NewClient(o)
	if tok := c.Connect(); !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatal("can't connect: ", tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(0) })
	return c
}
