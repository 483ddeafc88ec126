package watch

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/rs/zerolog"

	"fairbore/daemon/event"
	"fairbore/daemon/mqtt"
	"fairbore/daemon/publish"
	"fairbore/daemon/publishtest"
)

// eye is a watcher and what it told.
type eye struct {
	*Watcher
	mu        sync.Mutex
	stations  map[string]Seen
	lives     map[string]event.Live
	records   map[string][]uint64 // numbers by journal, in the order told
	statuses  []Status
	forgotten []string
}

// watch runs a watcher and ends it with the test.
func watch(t testing.TB, cfg Config) *eye {
	t.Helper()
	w, err := New(cfg, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	e := &eye{Watcher: w, stations: map[string]Seen{}, lives: map[string]event.Live{}, records: map[string][]uint64{}}
	w.look = 20 * time.Millisecond
	w.OnStation = func(s Seen) { e.lock(func() { e.stations[s.Station] = s }) }
	w.OnForgotten = func(_, station string) {
		e.lock(func() { delete(e.stations, station); e.forgotten = append(e.forgotten, station) })
	}
	w.OnLive = func(_ string, l event.Live) { e.lock(func() { e.lives[l.Station] = l }) }
	w.OnRecord = func(_ string, r event.Record) {
		e.lock(func() { e.records[r.Journal] = append(e.records[r.Journal], r.Seq) })
	}
	w.OnStatus = func(s Status) { e.lock(func() { e.statuses = append(e.statuses, s) }) }
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan struct{})
	go func() {
		defer close(over)
		if err := w.Run(ctx); err != nil {
			t.Error(err)
		}
	}()
	t.Cleanup(func() { cancel(); <-over })
	return e
}

func (e *eye) lock(f func()) {
	e.mu.Lock()
	defer e.mu.Unlock()
	f()
}

// all reports whether n stations were told, and each of them is as f wants.
func (e *eye) all(n int, f func(Seen) bool) (ok bool) {
	e.lock(func() {
		ok = len(e.stations) == n && !slices.ContainsFunc(slices.Collect(maps.Values(e.stations)), func(s Seen) bool { return !f(s) })
	})
	return ok
}

// heardAll reports whether the records 1 to n of a journal were told, in order
// and once each.
func (e *eye) heardAll(journal string, n int) (ok bool) {
	e.lock(func() {
		got := e.records[journal]
		ok = len(got) == n
		for i, seq := range got {
			ok = ok && seq == uint64(i+1)
		}
	})
	return ok
}

// brokers are the peers: a real one, as its package comes except for the
// address, and the daemon's own.
func brokers(t *testing.T, test func(t *testing.T, url string, own func(*mqtt.Config))) {
	t.Run("mosquitto", func(t *testing.T) {
		t.Parallel()
		m := publishtest.StartMosquitto(t, "allow_anonymous true", "max_queued_messages 1000", "max_inflight_messages 20")
		test(t, m.URL(), func(*mqtt.Config) {})
	})
	t.Run("embedded", func(t *testing.T) {
		t.Parallel()
		url, own, _ := publishtest.Embedded(t)
		test(t, url, own)
	})
}

// bays is one daemon with ten stations.
type bays struct {
	*publish.Publisher
	journal string
	j       *publishtest.Journal
	names   []string
}

// daemonAt is the configuration of a daemon's publisher.
func daemonAt(url, id string, stations []string) publish.Config {
	return publish.Config{Config: mqtt.Config{Broker: url, ClientID: id, Waits: publishtest.Quick()}, Site: "quarry-lane", Stations: stations, Journal: "J1", Version: "test"}
}

// publishing runs a publisher until end is called, or the test is over.
func publishing(t testing.TB, cfg publish.Config, j *publishtest.Journal) (p *publish.Publisher, end func()) {
	t.Helper()
	p, err := publish.New(cfg, j, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
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
	return p, end
}

func startBays(t testing.TB, no int, url string, own func(*mqtt.Config)) *bays {
	t.Helper()
	b := &bays{journal: fmt.Sprintf("J%d", no), j: &publishtest.Journal{}}
	for i := range 10 {
		b.names = append(b.names, fmt.Sprintf("hone-bay-%d", 10*no+i))
	}
	cfg := daemonAt(url, fmt.Sprintf("daemon-%d", no), b.names)
	cfg.Journal = b.journal
	own(&cfg.Config)
	b.Publisher, _ = publishing(t, cfg, b.j)
	return b
}

// work appends a record for each station, and tells each one's new state.
func (b *bays) work() {
	for _, name := range b.names {
		b.j.Mu.Lock()
		r := publishtest.Record(name, uint64(len(b.j.Recs)+1))
		r.Journal = b.journal
		b.j.Recs = append(b.j.Recs, r)
		b.j.Mu.Unlock()
		state := boreOf(name, r.Seq)
		state.Journal = b.journal
		payload, _ := json.Marshal(state)
		b.Bore(name, payload)
	}
	b.Wake()
}

// Fifty stations of five daemons, one of which is cut off without a word: its
// ten stations are told as gone when the broker has missed its keep-alive, the
// others stay, and it comes back. Every record comes once and in order. One who
// comes late draws all of it from what the broker keeps, and follows from there.
func TestWatchFiftyStations(t *testing.T) {
	t.Parallel()
	brokers(t, func(t *testing.T, url string, own func(*mqtt.Config)) {
		e := watch(t, watchConfig(url))
		publishtest.Until(t, "connected", func() bool { return e.Status().Connected })
		x := publishtest.StartProxy(t, strings.TrimPrefix(url, "tcp://"))
		all := []*bays{startBays(t, 0, x.URL(), own)}
		for no := 1; no < 5; no++ {
			all = append(all, startBays(t, no, url, own))
		}
		publishtest.Until(t, "all stations are served", func() bool { return e.all(50, func(s Seen) bool { return s.Presence == Served }) })
		for range 5 {
			for _, b := range all {
				b.work()
			}
		}
		newest := func(s Seen) bool { return s.Bore != nil && s.Bore.Seq > 40 && s.Bore.Station == s.Station }
		publishtest.Until(t, "the newest of each is seen", func() bool { return e.all(50, newest) })
		for _, b := range all {
			publishtest.Until(t, "its records are heard", func() bool { return e.heardAll(b.journal, 50) })
		}
		all[1].Live("hone-bay-10", event.Live{Station: "hone-bay-10", Raw: 222_300_000})
		publishtest.Until(t, "what the gauge shows is seen", func() bool {
			var l event.Live
			e.lock(func() { l = e.lives["hone-bay-10"] })
			return l.Raw == 222_300_000
		})

		x.Set(false, false, true)
		cut := time.Now()
		publishtest.Until(t, "its stations are gone", func() bool {
			return e.all(50, func(s Seen) bool { return (s.Presence == NotServed) == slices.Contains(all[0].names, s.Station) })
		})
		// A broker waits for one and a half times the keep-alive (MQTT 3.1.1, section
		// 3.1.2.10); this real one looks every five seconds only (measured).
		t.Logf("gone after %s; the keep-alive is %s", time.Since(cut).Round(10*time.Millisecond), publishtest.Quick().KeepAlive)
		publishtest.Until(t, "it is said why", func() bool {
			return e.all(50, func(s Seen) bool {
				return s.Presence == Served || s.Why.Error() == "watch.gone.connection_lost(daemon-0)" && newest(s)
			})
		})

		x.Set(false, false, false)
		publishtest.Until(t, "it is back", func() bool { return e.all(50, func(s Seen) bool { return s.Presence == Served }) })
		if s := e.Status(); s.dropped() != 0 || s.Missing != 0 || s.Stations != 50 || s.Records != 250 {
			t.Errorf("%+v", s)
		}

		late := watchConfig(url)
		late.ClientID, late.Site = "wall-2", AllSites
		l := watch(t, late)
		publishtest.Until(t, "one who comes late has all of it", func() bool {
			return l.all(50, func(s Seen) bool { return newest(s) && s.Presence == Served && s.Site == "quarry-lane" })
		})
		if list := l.Stations(); list[2].Station != "hone-bay-2" || list[49].Station != "hone-bay-49" {
			t.Errorf("order: %v", list)
		}
		for _, b := range all {
			b.work()
		}
		publishtest.Until(t, "it follows", func() bool {
			return l.all(50, func(s Seen) bool { return s.Bore.Seq > 50 }) && l.Status().Records == 50
		})
	})
}

// The broker is killed and comes back empty: meanwhile nothing is known of any
// station, and it is said why; after that all is as it was, with what was
// gauged in between.
func TestWatchBrokerRestarted(t *testing.T) {
	t.Parallel()
	m := publishtest.StartMosquitto(t)
	e := watch(t, watchConfig(m.URL()))
	publishtest.Until(t, "connected", func() bool { return e.Status().Connected })
	b := startBays(t, 1, m.URL(), func(*mqtt.Config) {})
	served := func(seq uint64) func(Seen) bool {
		return func(s Seen) bool { return s.Presence == Served && s.Bore != nil && s.Bore.Seq > seq }
	}
	b.work()
	publishtest.Until(t, "all are served", func() bool { return e.all(10, served(0)) })
	for round := range uint64(3) {
		m.Kill()
		publishtest.Until(t, "nothing is known", func() bool {
			return e.all(10, func(s Seen) bool {
				return s.Presence == Unknown && s.Why.Code == "watch.no_broker" && s.Bore != nil
			})
		})
		b.work()
		m.Start()
		publishtest.Until(t, "all are served again", func() bool { return e.all(10, served(10*(round+1))) })
	}
	b.work() // shows what is missing of those before
	publishtest.Until(t, "each record has come, or is known to be missing", func() bool {
		s := e.Status()
		return s.Records+s.Missing == 50 && s.Connected
	})
}

// A daemon that stops in order says so, also to one who comes later, who then
// has the state as it was, and knows that nobody has been heard.
func TestWatchDaemonStops(t *testing.T) {
	t.Parallel()
	brokers(t, func(t *testing.T, url string, own func(*mqtt.Config)) {
		e := watch(t, watchConfig(url))
		cfg := daemonAt(url, "daemon-1", []string{"hone-bay-1", "hone-bay-2"})
		own(&cfg.Config)
		publishtest.Until(t, "connected", func() bool { return e.Status().Connected })
		p, end := publishing(t, cfg, &publishtest.Journal{})
		for _, name := range cfg.Stations {
			payload, _ := json.Marshal(boreOf(name, 0))
			p.Bore(name, payload)
		}
		publishtest.Until(t, "both are served", func() bool {
			return e.all(2, func(s Seen) bool { return s.Presence == Served && s.Bore != nil })
		})
		end()
		publishtest.Until(t, "both are gone", func() bool {
			return e.all(2, func(s Seen) bool {
				return s.Presence == NotServed && s.Why.Error() == "watch.gone.stopped(daemon-1)" && !s.Heard.IsZero()
			})
		})
		late := watchConfig(url)
		late.ClientID = "wall-2"
		l := watch(t, late)
		publishtest.Until(t, "one who comes late knows", func() bool {
			return l.all(2, func(s Seen) bool { return s.Presence == NotServed && s.Bore != nil && s.Heard.IsZero() })
		})
	})
}

// Repeats and gaps, as a publisher that began again and a broker that lost
// something make them.
func TestWatchRepeatsAndGaps(t *testing.T) {
	t.Parallel()
	brokers(t, func(t *testing.T, url string, own func(*mqtt.Config)) {
		e := watch(t, watchConfig(url))
		publishtest.Until(t, "connected", func() bool { return e.Status().Connected })
		c := mouth(t, url, as(own))
		for _, seq := range []uint64{1, 2, 3, 2, 3, 4, 7, 6, 7, 12, 1} {
			say(t, c, "hone-bay-1/reading", false, publishtest.Record("hone-bay-1", seq))
		}
		publishtest.Until(t, "all are taken", func() bool { s := e.Status(); return s.Records+s.Duplicates == 11 })
		s := e.Status()
		if s.Records != 7 || s.Duplicates != 4 || s.Gaps != 2 || s.Missing != 5 {
			t.Errorf("%+v, want 7 records, 4 repeats, 2 gaps, and 5, 8, 9, 10, 11 missing", s)
		}
		// What is counted is told a moment later.
		publishtest.Until(t, "each is told once, as it came", func() (told bool) {
			e.lock(func() { told = slices.Equal(e.records["J1"], []uint64{1, 2, 3, 4, 7, 6, 12}) })
			return told
		})
	})
}

// as lets a client in as the daemon's own.
func as(own func(*mqtt.Config)) func(*paho.ClientOptions) {
	var c mqtt.Config
	own(&c)
	return func(o *paho.ClientOptions) { o.SetUsername(c.User).SetPassword(c.Password) }
}

func say(t testing.TB, c paho.Client, topic string, retain bool, v any) {
	t.Helper()
	payload, ok := v.([]byte)
	if !ok {
		payload, _ = json.Marshal(v)
	}
	if tok := c.Publish("fairbore/1/quarry-lane/"+topic, 1, retain, payload); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal("can't publish: ", tok.Error())
	}
}

// Messages of megabytes, kept by the broker and more of them than it sends
// without an acknowledgement, are taken out of the stream: the connection stays,
// and what comes after them arrives, at this connection and at the next.
func TestWatchHugeMessages(t *testing.T) {
	t.Parallel()
	m := publishtest.StartMosquitto(t, "allow_anonymous true", "max_inflight_messages 3")
	c := mouth(t, m.URL(), nil)
	for i := range 8 {
		say(t, c, fmt.Sprintf("hone-bay-%d/bore", i), true, make([]byte, 1<<20))
	}
	say(t, c, "hone-bay-99/bore", true, boreOf("hone-bay-99", 1))
	e := watch(t, watchConfig(m.URL()))
	good := func() bool { return e.all(1, func(s Seen) bool { return s.Station == "hone-bay-99" && s.Bore != nil }) }
	publishtest.Until(t, "the good one is seen", good)
	publishtest.Until(t, "the others are counted", func() bool { return e.Status().TooLarge == 8 })
	say(t, c, "hone-bay-1/reading", false, make([]byte, 2<<20))
	say(t, c, "hone-bay-99/bore", true, boreOf("hone-bay-99", 2))
	publishtest.Until(t, "the next good one is seen", func() bool { return e.all(1, func(s Seen) bool { return s.Bore.Seq == 2 }) })
	e.lock(func() {
		if len(e.statuses) != 1 {
			t.Errorf("the connection was lost: %+v", e.statuses)
		}
	})
}

// What was lost on the way is asked for again, without a new connection: here
// the inbox drops a bore, as if it had come too fast.
func TestWatchAsksAgain(t *testing.T) {
	t.Parallel()
	brokers(t, func(t *testing.T, url string, own func(*mqtt.Config)) {
		e := watch(t, watchConfig(url))
		told := func() (n int) { e.lock(func() { n = len(e.statuses) }); return n }
		// Its first attempt may be too early for the broker, which is told as well.
		publishtest.Until(t, "connected", func() (is bool) {
			e.lock(func() { is = len(e.statuses) > 0 && e.statuses[len(e.statuses)-1].Connected })
			return is
		})
		was := told()
		room := func(bytes int) { e.inbox.mu.Lock(); e.inbox.most = bytes; e.inbox.mu.Unlock() }
		room(10)
		c := mouth(t, url, as(own))
		say(t, c, "hone-bay-1/bore", true, boreOf("hone-bay-1", 1))
		publishtest.Until(t, "it is dropped", func() bool { return e.Status().Overrun > 0 })
		room(maxWaiting)
		publishtest.Until(t, "the bore is seen", func() bool { return e.all(1, func(s Seen) bool { return s.Bore != nil && s.Bore.Seq == 1 }) })
		if n := told(); n != was {
			t.Errorf("the connection was made anew: its state was told %d times, %d before", n, was)
		}
	})
}

// Why there is no connection is said, and what to do.
func TestWatchSaysWhy(t *testing.T) {
	t.Parallel()
	shop := publishtest.NewAuthority(t)
	cert, key := shop.Server("broker", "localhost", time.Time{})
	m := publishtest.StartMosquitto(t, "cafile "+shop.File, "certfile "+cert, "keyfile "+key, "allow_anonymous false", "password_file "+publishtest.Passwords(t))
	good := watchConfig("ssl://" + m.Addr)
	good.CAFile, good.User, good.Password = shop.File, "daemon", "right"
	e := watch(t, good)
	publishtest.Until(t, "connected by TLS and password", func() bool { return e.Status().Connected })
	for want, set := range map[string]func(*Config){
		"mqtt.user":    func(c *Config) { c.Password = "wrong" },
		"mqtt.no_ca":   func(c *Config) { c.CAFile = "" },
		"mqtt.refused": func(c *Config) { c.Broker = "ssl://" + publishtest.FreePort(t) },
	} {
		cfg := good
		cfg.ClientID = "wall-2"
		set(&cfg)
		w := watch(t, cfg)
		publishtest.Until(t, "the status says: "+want, func() bool {
			var last Status
			w.lock(func() {
				if len(w.statuses) > 0 {
					last = w.statuses[len(w.statuses)-1]
				}
			})
			return !last.Connected && last.Why.Code == want
		})
	}
}

// A broker that lets nobody read a site says so at once.
func TestWatchRefused(t *testing.T) {
	t.Parallel()
	url, _, _ := publishtest.Embedded(t)
	cfg := watchConfig(url)
	cfg.Site = "elsewhere"
	e := watch(t, cfg)
	publishtest.Until(t, "it is said", func() bool {
		s := e.Status()
		return !s.Connected && s.Why.Error() == "mqtt.topic_refused(fairbore/1/elsewhere/+/alive)"
	})
}

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
