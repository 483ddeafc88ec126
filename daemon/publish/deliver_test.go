package publish

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"

	"fairbore/daemon/event"
	"fairbore/daemon/publishtest"
)

func connected(t testing.TB, p *Publisher) {
	t.Helper()
	publishtest.Until(t, "connected", func() bool { return p.Status().Connected })
}

func drained(t testing.TB, p *Publisher) {
	t.Helper()
	publishtest.Until(t, "nothing is left to send", func() bool { return p.Status().Backlog == 0 })
}

// Everything of the journal arrives in order, readings and other events on their
// topics, the bore after the records it rests on.
func TestCatchesUp(t *testing.T) {
	m := publishtest.StartMosquitto(t)
	e := listen(t, m.URL(), nil)
	j := &publishtest.Journal{}
	j.Add("hone-bay-1", 300)
	j.Recs[9].Event = event.Event{Station: "hone-bay-2", At: j.Recs[9].At, Kind: event.NoteAdded, Note: "stones dressed"}
	p := run(t, config(m.URL()), j, func(p *Publisher) {
		p.Bore("hone-bay-1", []byte(`{"bore":"old"}`))
		p.Bore("hone-bay-1", []byte(`{"bore":"new"}`))
	})
	e.heard(t, 300)
	drained(t, p)
	publishtest.Until(t, "the bore is heard", func() bool { return len(e.on("bore")) > 0 })
	if got := e.on("bore"); len(got) != 1 || got[0] != `{"bore":"new"}` {
		t.Errorf("bore: %v", got)
	}
	if got := e.on("event"); len(got) != 1 || !strings.Contains(got[0], "stones dressed") {
		t.Errorf("events: %v", got)
	}
	msgs := e.all()
	if last := msgs[len(msgs)-1].Topic(); last != "fairbore/1/quarry-lane/hone-bay-1/bore" {
		t.Errorf("last message on %s, want the bore after all records", last)
	}
	if c, _ := j.Cursor(cursorName); c != 300 {
		t.Errorf("cursor %d, want 300", c)
	}
	j.Add("hone-bay-2", 1)
	p.Wake()
	e.heard(t, 301)
}

// A cursor kept by the journal is where a new publisher begins.
func TestBeginsAtTheCursor(t *testing.T) {
	url, _, b := publishtest.Embedded(t)
	cfg := config(url)
	cfg.Local = b
	e := listen(t, url, nil)
	j := &publishtest.Journal{}
	j.Add("hone-bay-1", 20)
	j.SetCursor(cursorName, 15)
	p := run(t, cfg, j, nil)
	drained(t, p)
	publishtest.Until(t, "five records", func() bool { return len(e.on("reading")) == 5 })
	if !strings.Contains(e.on("reading")[0], `"seq":16,`) || p.Status().Published != 5 {
		t.Errorf("first %s, published %d", e.on("reading")[0], p.Status().Published)
	}
}

// A cursor beyond the journal can only come from another journal; everything is
// sent again rather than nothing.
func TestCursorBeyondTheJournal(t *testing.T) {
	url, own, _ := publishtest.Embedded(t)
	cfg := config(url)
	own(&cfg.Config)
	e := listen(t, url, nil)
	j := &publishtest.Journal{}
	j.Add("hone-bay-1", 3)
	j.SetCursor(cursorName, 15)
	run(t, cfg, j, nil)
	e.heard(t, 3)
}

// A record that no broker takes must not stop those behind it.
func TestSkipsWhatCannotBeSent(t *testing.T) {
	url, _, b := publishtest.Embedded(t)
	cfg := config(url)
	cfg.Local = b
	e := listen(t, url, nil)
	j := &publishtest.Journal{}
	j.Add("hone-bay-1", 3)
	j.Recs[1].Note = strings.Repeat("x", MaxPayload)
	j.Add("a/b", 1)
	j.Add("hone-bay-1", 1)
	p := run(t, cfg, j, nil)
	drained(t, p)
	publishtest.Until(t, "three records", func() bool { return len(e.on("reading")) == 3 })
	if s := p.Status(); s.Skipped != 2 || s.Published != 3 || !s.Connected {
		t.Errorf("%+v", s)
	}
	if c, _ := j.Cursor(cursorName); c != 5 {
		t.Errorf("cursor %d, want 5", c)
	}
}

// A journal that can't be read is told, and sending goes on when it can.
func TestJournalUnreadable(t *testing.T) {
	url, _, b := publishtest.Embedded(t)
	cfg := config(url)
	cfg.Local = b
	e := listen(t, url, nil)
	j := &publishtest.Journal{Broken: true}
	j.Add("hone-bay-1", 3)
	p := run(t, cfg, j, nil)
	publishtest.Until(t, "the status says so", func() bool {
		s := p.Status()
		return s.Connected && s.Why.Code == "mqtt.journal" && strings.Contains(s.Why.Error(), "on fire")
	})
	j.SetBroken(false)
	e.heard(t, 3)
	publishtest.Until(t, "the status is clear", func() bool { return p.Status().Why.IsZero() })
}

// A display that comes late draws from the retained messages alone.
func TestRetainedToALateSubscriber(t *testing.T) {
	for _, which := range []string{"mosquitto", "embedded"} {
		t.Run(which, func(t *testing.T) {
			var cfg Config
			if which == "mosquitto" {
				cfg = config(publishtest.StartMosquitto(t).URL())
			} else {
				url, _, b := publishtest.Embedded(t)
				cfg = config(url)
				cfg.Local = b
			}
			j := &publishtest.Journal{}
			p := run(t, cfg, j, nil)
			for i := range 50 {
				j.Add("hone-bay-1", 1)
				p.Bore("hone-bay-1", fmt.Appendf(nil, `{"n":%d}`, i+1))
			}
			drained(t, p)
			early := listen(t, cfg.Broker, nil)
			publishtest.Until(t, "the newest bore", func() bool {
				b := early.on("bore")
				return len(b) > 0 && b[len(b)-1] == `{"n":50}`
			})
			e := listen(t, cfg.Broker, nil)
			publishtest.Until(t, "bore and three alives", func() bool { return len(e.on("bore")) == 1 && len(e.on("alive")) == 3 })
			for _, m := range e.all() {
				if !m.Retained() {
					t.Errorf("%s is not retained", m.Topic())
				}
			}
			if got := e.on("bore")[0]; got != `{"n":50}` {
				t.Errorf("bore %s", got)
			}
		})
	}
}

// Live values are paced, the newest arrives, and none is kept while offline.
func TestLive(t *testing.T) {
	url, own, _ := publishtest.Embedded(t)
	cfg := config(url)
	own(&cfg.Config)
	e := listen(t, url, nil)
	p := run(t, cfg, &publishtest.Journal{}, nil)
	p.Live("hone-bay-1", "offline")
	connected(t, p)
	start := time.Now()
	for i := range 300 {
		p.Live("hone-bay-1", i)
		time.Sleep(time.Millisecond) // the gauge's own pace
	}
	publishtest.Until(t, "the newest", func() bool { l := e.on("live"); return len(l) > 0 && l[len(l)-1] == "299" })
	got := e.on("live")
	if most := int(time.Since(start)/p.every.live) + 1; len(got) > most || len(got) < 3 {
		t.Errorf("%d live values, want 3 to %d", len(got), most)
	}
	for _, m := range e.all() {
		if strings.HasSuffix(m.Topic(), "/live") && (m.Qos() != 0 || m.Retained()) {
			t.Errorf("live has QoS %d, retained %t", m.Qos(), m.Retained())
		}
	}
	if got[0] == "offline" {
		t.Error("a live value from before the connection was sent")
	}
}

// Commands come in, in order; a handler that waits does not hold up the records;
// what is too much, too large or retained is refused and counted.
func TestCommands(t *testing.T) {
	m := publishtest.StartMosquitto(t)
	c := mouth(t, m.URL(), nil)
	topic := Topic("quarry-lane", "hone-bay-2", "do")
	wait(t, c.Publish(topic, 1, true, "retained: would be done at each connection"))
	cfg := config(m.URL())
	cfg.Commands = true
	j := &publishtest.Journal{}
	e := listen(t, m.URL(), nil)
	block := make(chan struct{})
	got := make(chan string, 200)
	p := run(t, cfg, j, func(p *Publisher) {
		p.OnCommand = func(station string, payload []byte) {
			got <- station + " " + string(payload)
			<-block
			p.Done(station, payload)
		}
	})
	connected(t, p)
	publishtest.Until(t, "the retained one is refused", func() bool { return p.Status().RefusedCommands == 1 })
	wait(t, c.Publish(topic, 1, false, strings.Repeat("x", maxCommand+1)))
	publishtest.Until(t, "the large one is refused", func() bool { return p.Status().RefusedCommands == 2 })
	for i := range 40 {
		wait(t, c.Publish(topic, 1, false, fmt.Sprint(i)))
	}
	// One is being carried out, 32 wait, 7 are refused.
	publishtest.Until(t, "the flood is refused", func() bool { return p.Status().RefusedCommands == 2+7 })
	j.Add("hone-bay-1", 100)
	p.Wake()
	e.heard(t, 100)
	close(block)
	publishtest.Until(t, "replies", func() bool { return len(e.on("done")) == 33 })
	for i, want := 0, e.on("done"); i < 33; i++ {
		if g := <-got; g != fmt.Sprintf("hone-bay-2 %d", i) || want[i] != fmt.Sprint(i) {
			t.Fatalf("command %d: %s, reply %s", i, g, want[i])
		}
	}
	wait(t, c.Publish(topic, 1, true, "")) // clear
}

// Without Commands nothing is subscribed to.
func TestNoCommandsUnlessAllowed(t *testing.T) {
	m := publishtest.StartMosquitto(t)
	j := &publishtest.Journal{}
	p := run(t, config(m.URL()), j, func(p *Publisher) {
		p.OnCommand = func(string, []byte) { t.Error("a command came through") }
	})
	connected(t, p)
	c := mouth(t, m.URL(), nil)
	wait(t, c.Publish(Topic("quarry-lane", "hone-bay-1", "do"), 1, false, "{}"))
	e := listen(t, m.URL(), nil)
	j.Add("hone-bay-1", 1) // sent after the command was acknowledged
	p.Wake()
	e.heard(t, 1)
}

// Replies outlive a loss; of too many the oldest go.
func TestReplies(t *testing.T) {
	url, own, _ := publishtest.Embedded(t)
	cfg := config(url)
	own(&cfg.Config)
	e := listen(t, url, nil)
	p := run(t, cfg, &publishtest.Journal{}, func(p *Publisher) {
		for i := range maxReplies + 5 {
			p.Done("hone-bay-1", fmt.Append(nil, i))
		}
	})
	publishtest.Until(t, "replies", func() bool { return len(e.on("done")) >= maxReplies })
	if got := e.on("done"); len(got) != maxReplies || got[0] != "5" || p.Status().DroppedReplies != 5 {
		t.Errorf("%d replies from %s, %d dropped", len(got), got[0], p.Status().DroppedReplies)
	}
}

// The rule of who is alive: the station names its daemon, the daemon lists it.
func TestAlive(t *testing.T) {
	m := publishtest.StartMosquitto(t)
	e := listen(t, m.URL(), nil)
	p, err := New(config(m.URL()), &publishtest.Journal{}, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	p.every.beat = 50 * time.Millisecond
	p.dialer.Waits.Answer = 500 * time.Millisecond
	end := stop(t, p)
	publishtest.Until(t, "a second beat", func() bool { return len(e.on("alive")) >= 4 })
	end()
	publishtest.Until(t, "goodbye", func() bool { return strings.Contains(strings.Join(e.on("alive"), ""), `"offline"`) })
	state := map[string]Alive{}
	first := map[string]Alive{}
	publishtest.Until(t, "three goodbyes", func() bool {
		clear(state)
		off := 0
		for _, msg := range e.all() {
			var a Alive
			if err := json.Unmarshal(msg.Payload(), &a); err != nil {
				t.Fatal(err)
			}
			level := strings.Split(msg.Topic(), "/")[3]
			if _, ok := first[level]; !ok {
				first[level] = a
			}
			if state[level] = a; a.State == Offline {
				off++
			}
		}
		return off == 3
	})
	for level, a := range state {
		if f := first[level]; f.State != Online || f.Daemon != "daemon-1" || f.Journal != "J1" || f.At.IsZero() {
			t.Errorf("%s at first: %+v", level, f)
		}
		if a.State != Offline || a.Why != "stopped" {
			t.Errorf("%s at last: %+v", level, a)
		}
	}
	if d := first["daemon-1"]; len(d.Stations) != 2 || len(first["hone-bay-1"].Stations) != 0 {
		t.Errorf("daemon lists %v", d.Stations)
	}
}

// With one station the will is on the station's own topic.
func TestOneStationIsItsOwnDaemon(t *testing.T) {
	url, _, b := publishtest.Embedded(t)
	cfg := config(url)
	cfg.Local = b
	cfg.Stations = cfg.Stations[:1]
	e := listen(t, url, nil)
	p, err := New(cfg, &publishtest.Journal{}, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	end := stop(t, p)
	publishtest.Until(t, "online", func() bool { return len(e.on("alive")) == 1 })
	end()
	publishtest.Until(t, "offline", func() bool { return len(e.on("alive")) == 2 })
	for _, m := range e.all() {
		if m.Topic() != "fairbore/1/quarry-lane/hone-bay-1/alive" || !strings.Contains(string(m.Payload()), `"daemon":"hone-bay-1"`) {
			t.Errorf("%s %s", m.Topic(), m.Payload())
		}
	}
}

func wait(t testing.TB, tok paho.Token) {
	t.Helper()
	if !tok.WaitTimeout(5*time.Second) || tok.Error() != nil {
		t.Fatal("publish: ", tok.Error())
	}
}
