package publish

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"

	"fairbore/daemon/publishtest"
)

// flow appends eight records every two milliseconds, more than any shop makes,
// until it is stopped.
func flow(p *Publisher, j *publishtest.Journal) (stop func()) {
	quit, over := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(over)
		tick := time.NewTicker(2 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-quit:
				return
			case <-tick.C:
				j.Add("hone-bay-1", 8)
				p.Wake()
			}
		}
	}()
	return func() { close(quit); <-over }
}

// The broker is stopped in an orderly way and started again five times under
// load: nothing is lost between journal and subscriber, and without the repeats
// everything is in order.
func TestBrokerRestartedUnderLoad(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	m := publishtest.StartMosquitto(t, "allow_anonymous true", "persistence true", "persistence_location "+dir+"/")
	e := listen(t, m.URL(), func(o *paho.ClientOptions) { o.SetCleanSession(false).SetClientID("ear") })
	j := &publishtest.Journal{}
	p := run(t, config(m.URL()), j, nil)
	end := flow(p, j)
	for range 5 {
		connected(t, p)
		publishtest.Until(t, "the subscriber is back", e.client.IsConnectionOpen)
		n, _ := e.seqs(t)
		publishtest.Until(t, "the flow has gone on", func() bool { last, _ := e.seqs(t); return last > n+200 })
		m.Stop()
		publishtest.Until(t, "the loss is seen", func() bool { return !p.Status().Connected })
		m.Start()
	}
	end()
	e.heard(t, j.Last())
	drained(t, p)
	_, repeats := e.seqs(t)
	t.Logf("%d records, %d repeats", j.Last(), repeats)
}

// A broker that is killed may lose what it acknowledged; what is left to us is
// that it has acknowledged every record, in order, whatever happened in between.
func TestBrokerKilledUnderLoad(t *testing.T) {
	t.Parallel()
	m := publishtest.StartMosquitto(t)
	x := startTap(t, m.Addr)
	j := &publishtest.Journal{}
	p := run(t, config(x.url()), j, nil)
	end := flow(p, j)
	for range 5 {
		connected(t, p)
		n := p.cursor()
		publishtest.Until(t, "the flow has gone on", func() bool { return p.cursor() > n+200 })
		m.Kill()
		publishtest.Until(t, "the loss is seen", func() bool { return !p.Status().Connected })
		if last, _ := x.check(t); p.cursor() > last {
			t.Errorf("cursor %d, but the broker acknowledged %d only", p.cursor(), last)
		}
		m.Start()
	}
	end()
	drained(t, p)
	last, repeats := x.check(t)
	t.Logf("%d records, %d repeats", j.Last(), repeats)
	if last != j.Last() || repeats > 5*p.cfg.Window {
		t.Errorf("last %d of %d, %d repeats", last, j.Last(), repeats)
	}
}

// What the network swallowed was not acknowledged, whatever the library says of it.
func TestPublishesSwallowed(t *testing.T) {
	t.Parallel()
	m := publishtest.StartMosquitto(t)
	x := publishtest.StartProxy(t, m.Addr)
	e := listen(t, m.URL(), nil)
	j := &publishtest.Journal{}
	j.Add("hone-bay-1", 10)
	p := run(t, config(x.URL()), j, nil)
	e.heard(t, 10)
	drained(t, p)
	x.Set(true, false, false)
	j.Add("hone-bay-1", 500)
	p.Wake()
	publishtest.Until(t, "the publisher gives up", func() bool { return !p.Status().Connected })
	if c, _ := j.Cursor(cursorName); c != 10 {
		t.Errorf("cursor %d, want 10: nothing arrived after it", c)
	}
	x.Set(false, false, false)
	e.heard(t, 510)
	if _, repeats := e.seqs(t); repeats != 0 {
		t.Errorf("%d repeats of messages that never arrived", repeats)
	}
}

// Acknowledgements are swallowed and the link is cut, three times: at least once
// means that the records come again, and none is missing.
func TestAcknowledgementsSwallowed(t *testing.T) {
	t.Parallel()
	m := publishtest.StartMosquitto(t)
	x := publishtest.StartProxy(t, m.Addr)
	e := listen(t, m.URL(), nil)
	j := &publishtest.Journal{}
	p := run(t, config(x.URL()), j, nil)
	for round := range uint64(3) {
		connected(t, p)
		drained(t, p)
		x.Set(false, true, false)
		j.Add("hone-bay-1", 100)
		p.Wake()
		e.heard(t, 100*(round+1))
		if c := p.cursor(); c != 100*round {
			t.Errorf("cursor %d although no acknowledgement came", c)
		}
		x.Set(false, false, false)
		x.Cut()
	}
	drained(t, p)
	last, repeats := e.seqs(t)
	if last != 300 || repeats < 100 || repeats > 300 {
		t.Errorf("last %d, %d repeats; want 300, and 100 to 300", last, repeats)
	}
}

// A link whose other end no longer reads is noticed, under load by missing
// acknowledgements or a stuck socket, at rest by the missing answer to a ping.
func TestHalfOpenLink(t *testing.T) {
	for _, load := range []int{0, 1, 5000} {
		t.Run(fmt.Sprint(load), func(t *testing.T) {
			t.Parallel()
			m := publishtest.StartMosquitto(t)
			x := publishtest.StartProxy(t, m.Addr)
			e := listen(t, m.URL(), nil)
			j := &publishtest.Journal{}
			p := run(t, config(x.URL()), j, nil)
			connected(t, p)
			drained(t, p)
			x.Set(false, false, true)
			j.Add("hone-bay-1", load)
			p.Wake()
			publishtest.Until(t, "the dead link is noticed", func() bool { return !p.Status().Connected })
			x.Set(false, false, false)
			x.Cut()
			e.heard(t, uint64(load))
			connected(t, p)
		})
	}
}

// A bore waits for its records also after a loss, and is sent again.
func TestBoreAgainAfterALoss(t *testing.T) {
	m := publishtest.StartMosquitto(t)
	x := publishtest.StartProxy(t, m.Addr)
	e := listen(t, m.URL(), nil)
	j := &publishtest.Journal{}
	j.Add("hone-bay-1", 1)
	p := run(t, config(x.URL()), j, nil)
	p.Bore("hone-bay-1", []byte("A"))
	publishtest.Until(t, "A", func() bool { return len(e.on("bore")) == 1 })
	drained(t, p)
	x.Cut()
	publishtest.Until(t, "A again", func() bool { return len(e.on("bore")) == 2 })
	drained(t, p)
	x.Set(true, false, false)
	j.Add("hone-bay-1", 300)
	p.Bore("hone-bay-1", []byte("B"))
	x.Cut()
	publishtest.Until(t, "a connection that swallows", func() bool { return x.Is(func() bool { return x.Made >= 3 }) })
	x.Set(false, false, false)
	x.Cut()
	publishtest.Until(t, "B", func() bool { b := e.on("bore"); return b[len(b)-1] == "B" })
	e.seqs(t)
	seen := 0
	for _, m := range e.all() {
		switch {
		case strings.HasSuffix(m.Topic(), "/reading"):
			seen++
		case string(m.Payload()) == "B" && seen < 301:
			t.Fatalf("B came after %d records, it rests on 301", seen)
		}
	}
}

// A subscriber that reads nothing must not hold up the publisher or the others.
func TestSlowSubscriber(t *testing.T) {
	t.Parallel()
	sub := publishtest.Need(t, "mosquitto_sub")
	for _, which := range []string{"mosquitto", "embedded"} {
		t.Run(which, func(t *testing.T) {
			var cfg Config
			if which == "mosquitto" {
				cfg = config(publishtest.StartMosquitto(t, "allow_anonymous true", "max_queued_messages 100").URL())
			} else {
				url, own, _ := publishtest.Embedded(t)
				cfg = config(url)
				own(&cfg.Config)
			}
			addr := strings.Split(strings.TrimPrefix(cfg.Broker, "tcp://"), ":")
			stuck := exec.Command(sub, "-h", addr[0], "-p", addr[1], "-q", "1", "-t", "fairbore/1/#", "-F", "%t")
			out := &strings.Builder{}
			stuck.Stdout = out
			if err := stuck.Start(); err != nil {
				t.Fatal(err)
			}
			defer func() { stuck.Process.Kill(); stuck.Wait() }()
			if err := freeze(stuck); err != nil {
				t.Fatal(err)
			}
			e := listen(t, cfg.Broker, nil)
			j := &publishtest.Journal{}
			j.Add("hone-bay-1", 3000)
			p := run(t, cfg, j, nil)
			e.heard(t, 3000)
			drained(t, p)
		})
	}
}

// A subscriber with a session that was away gets what it missed, in order.
func TestPersistentSubscriber(t *testing.T) {
	m := publishtest.StartMosquitto(t)
	session := func(o *paho.ClientOptions) { o.SetCleanSession(false).SetClientID("recorder") }
	first := listen(t, m.URL(), session)
	j := &publishtest.Journal{}
	j.Add("hone-bay-1", 10)
	p := run(t, config(m.URL()), j, nil)
	first.heard(t, 10)
	first.client.Disconnect(100)
	j.Add("hone-bay-1", 500)
	p.Wake()
	drained(t, p)
	again := listen(t, m.URL(), session)
	publishtest.Until(t, "all that was missed", func() bool { return len(again.on("reading")) == 500 })
	for i, r := range again.on("reading") {
		if !strings.Contains(r, fmt.Sprintf(`"seq":%d,`, 11+i)) {
			t.Fatalf("message %d is %s", i, r)
		}
	}
}

// Two programs with one client id throw each other out; that is told.
func TestClientIDTwice(t *testing.T) {
	t.Parallel()
	m := publishtest.StartMosquitto(t)
	p := run(t, config(m.URL()), &publishtest.Journal{}, nil)
	run(t, config(m.URL()), &publishtest.Journal{}, nil)
	publishtest.Until(t, "the hint", func() bool { return p.Status().Why.Code == "mqtt.lost_at_once" })
}

// A publisher that is killed says goodbye by its last will.
func TestWillAfterKill(t *testing.T) {
	m := publishtest.StartMosquitto(t)
	e := listen(t, m.URL(), nil)
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), "FAIRBORE_CHILD="+m.URL())
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	defer child.Wait()
	publishtest.Until(t, "the child is online", func() bool { return len(e.on("alive")) == 3 })
	if err := sigkill(child); err != nil {
		t.Fatal(err)
	}
	publishtest.Until(t, "its will", func() bool { return len(e.on("alive")) == 4 })
	msgs := e.all()
	will := msgs[len(msgs)-1]
	if will.Topic() != "fairbore/1/quarry-lane/daemon-1/alive" || !strings.Contains(string(will.Payload()), `"state":"offline","why":"connection lost"`) ||
		!strings.Contains(string(will.Payload()), `"stations":["hone-bay-1","hone-bay-2"]`) {
		t.Errorf("%s %s", will.Topic(), will.Payload())
	}
	late := listen(t, m.URL(), nil)
	publishtest.Until(t, "the will is retained", func() bool { return strings.Contains(strings.Join(late.on("alive"), ""), `"connection lost"`) })
}

// TestMain is also the program that TestWillAfterKill kills.
func TestMain(m *testing.M) {
	if url := os.Getenv("FAIRBORE_CHILD"); url != "" {
		os.Exit(child(url))
	}
	os.Exit(m.Run())
}

func child(url string) int {
	p, err := New(config(url), &publishtest.Journal{}, zerolog.Nop())
	if err != nil {
		return 1
	}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	if err := p.Run(ctx); err != nil {
		return 1
	}
	return 0
}
