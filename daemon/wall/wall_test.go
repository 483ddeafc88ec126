package wall_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/broker"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/mqtt"
	"fairbore/daemon/publish"
	"fairbore/daemon/state"
	"fairbore/daemon/wall"
)

// screen is a wall of stations and the browser before it.
type screen struct {
	t    testing.TB
	addr string
}

func startWall(t testing.TB, o wall.Options) *screen {
	t.Helper()
	s := &screen{t: t, addr: daemontest.FreePort(t)}
	o.Listen, o.Version, o.Log = s.addr, "test", zerolog.Nop()
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan error, 1)
	go func() { over <- wall.Serve(ctx, o) }()
	t.Cleanup(func() {
		cancel()
		if err := <-over; err != nil {
			t.Errorf("the wall ended with %v", err)
		}
	})
	s.eventually("the page to answer", func() bool { return s.get("/wall") != "" })
	return s
}

func (s *screen) eventually(what string, ok func() bool) {
	s.t.Helper()
	for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			s.t.Fatalf("waited for %s", what)
		}
	}
}

// get returns a page, "" if there is none.
func (s *screen) get(path string) string {
	resp, err := http.Get("http://" + s.addr + path)
	if err != nil {
		return ""
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		return ""
	}
	return string(b)
}

// bore returns what is shown of a station, an empty one if there is no such.
func (s *screen) bore(name string) (b state.Bore) {
	if text := s.get("/station/" + name + "/bore"); text != "" {
		if err := json.Unmarshal([]byte(text), &b); err != nil {
			s.t.Fatalf("%s: %v", text, err)
		}
	}
	return b
}

// says waits until all the stations have a state, with a part of the reason as it is coded.
func (s *screen) says(names []string, state event.State, why string) {
	s.t.Helper()
	for _, name := range names {
		s.eventually(fmt.Sprintf("%s: %s, %s", name, state, why), func() bool {
			b := s.bore(name)
			return b.State == state && strings.Contains(coded(b.Why), why) && b.Station == name
		})
	}
}

// coded is a phrase by its code and its values, in mm and µm.
func coded(p analysis.Phrase) string { return notation.Format{Language: notation.Codes()}.Say(p) }

// bays is the publisher of a daemon with ten stations, each with a part in size.
type bays struct {
	*publish.Publisher
	journal *records
	names   []string
}

// records is a journal in memory.
type records struct {
	mu   sync.Mutex
	id   string
	list []event.Record
}

func (j *records) RawRecords(_ context.Context, seq uint64, limit int) ([]event.Record, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	rest := j.list[min(seq, uint64(len(j.list))):]
	return append([]event.Record(nil), rest[:min(limit, len(rest))]...), nil
}

func (j *records) Last() uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return uint64(len(j.list))
}

func (j *records) Cursor(string) (uint64, error) { return 0, nil }
func (j *records) SetCursor(string, uint64)      {}

func (j *records) add(station string) uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	seq := uint64(len(j.list) + 1)
	j.list = append(j.list, event.Record{Journal: j.id, Seq: seq, Event: event.Event{Station: station, At: time.Now(), Kind: event.NoteAdded, Note: "gauged"}})
	return seq
}

func startBays(t testing.TB, no int, url string, own func(*publish.Config)) *bays {
	t.Helper()
	b := &bays{journal: &records{id: fmt.Sprintf("J%d", no)}}
	c := publish.Config{Config: mqtt.Config{Broker: url, ClientID: fmt.Sprintf("daemon-%d", no)}, Site: "test", Journal: b.journal.id, Version: "test"}
	for i := range 10 {
		name := fmt.Sprintf("hone-bay-%d", 10*no+i)
		b.names, c.Stations = append(b.names, name), append(c.Stations, name)
	}
	own(&c)
	p, err := publish.New(c, b.journal, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	b.Publisher = p
	b.tell(t)
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan error, 1)
	go func() { over <- p.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	})
	return b
}

// tell gives each station a record and the state that rests on it.
func (b *bays) tell(t testing.TB) {
	t.Helper()
	size := 25 * analysis.Millimetre
	for _, name := range b.names {
		state := state.Bore{
			Journal: b.journal.id, Seq: b.journal.add(name), Station: name, At: time.Now(), Recording: true,
			Job:   &analysis.Job{ID: "J-4107", Title: "bush", Limits: analysis.Limits{Low: size, High: size + 25_000, Target: size + 12_000}},
			Part:  &event.Part{Serial: "12", Count: 12},
			State: event.InSize, Why: analysis.Quote("in size everywhere"),
			Sizes: &state.Sizes{Smallest: state.Local{Size: size + 1000}, Largest: state.Local{Size: size + 2000}, Mean: size + 1500, Readings: 2},
			Room:  4, ToLow: -1,
		}
		payload, err := json.Marshal(state)
		if err != nil {
			t.Fatal(err)
		}
		b.Bore(name, payload)
	}
	b.Wake()
}

// stream reads a server-sent stream until a line has all the words, and returns it.
func (s *screen) stream(path string, words ...string) string {
	s.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+s.addr+path, nil)
	if err != nil {
		s.t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		s.t.Fatal(err)
	}
	defer resp.Body.Close()
	in := bufio.NewScanner(resp.Body)
	in.Buffer(nil, 1<<20)
next:
	for in.Scan() {
		for _, w := range words {
			if !strings.Contains(in.Text(), w) {
				continue next
			}
		}
		return in.Text()
	}
	s.t.Fatalf("%s: no line with %q", path, words)
	return ""
}

// A wall of fifty stations of five publishers and one of the real program, at a
// real broker. The program is killed: its station is shown as out of reach, with
// no size left, and the others are not. The broker is killed and comes back
// empty: meanwhile nothing is known of any station, and afterwards all is as it was.
func TestWallOfFiftyStations(t *testing.T) {
	daemontest.Needs(t, "mosquitto")
	r := daemontest.NewRig(t)
	m := daemontest.NewMosquitto(t, r.Dir, "allow_anonymous true")
	url := "tcp://" + m.Addr
	s := startWall(t, wall.Options{Broker: url, Site: "test"})
	if page := s.get("/wall"); !strings.Contains(page, "no station yet") {
		t.Error("an empty wall does not say so")
	}
	r.Broker = "url: " + url
	r.Plug()
	r.Start()
	var names []string
	for no := range 5 {
		names = append(names, startBays(t, no, url, func(*publish.Config) {}).names...)
	}
	s.says(names, event.InSize, "")
	s.says([]string{"bay2"}, r.Bore().State, coded(r.Bore().Why))
	page := s.get("/") // goes to the wall
	for _, name := range append(names, "bay2") {
		if !strings.Contains(page, `id="tile-`+name+`"`) {
			t.Errorf("the wall has no tile for %s", name)
		}
	}
	s.stream("/wall/view", "hone-bay-49", "J-4107")

	r.Kill()
	s.says([]string{"bay2"}, event.CannotJudge, "⟦wall.no_word_since ")
	since, _, _ := strings.Cut(notation.Format{}.Text("wall.no_word_since", "|", ""), "|")
	s.stream("/wall/view", `"bay2":"`+since)
	if b := s.bore("bay2"); !strings.HasSuffix(b.Why.Text, "daemon bay2: connection lost") || b.Job == nil || b.Job.ID != "J-4112" || b.Sizes != nil || b.Places != nil {
		t.Errorf("%+v", b)
	}
	s.says(names, event.InSize, "")

	m.Kill()
	s.says(names, event.CannotJudge, "⟦watch.no_broker ")
	if b := s.bore(names[0]); b.Sizes != nil || b.Room != 0 || b.ToLow != 0 || b.Part.Serial != "12" {
		t.Errorf("a size of before is left: %+v", b)
	}
	m.Start()
	s.says(names, event.InSize, "")
	if b := s.bore(names[0]); b.Sizes == nil || b.Room != 4 {
		t.Errorf("not as it was: %+v", b)
	}
	r.Proc = nil // its broker has forgotten it: still shown, and why
	s.says([]string{"bay2"}, event.CannotJudge, "⟦watch.nobody_serves⟧")
}

// At the embedded broker, for all sites: names have the site before them; a wall
// that starts late draws everything from what is kept; it follows what is told
// after, and takes no action.
func TestWallStartedLate(t *testing.T) {
	b, err := broker.Open(broker.Config{Listen: "127.0.0.1:0", Site: "test", Anonymous: true}, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan error, 1)
	go func() { over <- b.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	})
	url := "tcp://" + b.Addr()
	first := startWall(t, wall.Options{Broker: url})
	first.says([]string{"no.station.yet"}, event.CannotJudge, "⟦wall.empty⟧")
	bay := startBays(t, 1, url, func(c *publish.Config) { c.Local = b })
	var names []string
	for _, name := range bay.names {
		names = append(names, "test."+name)
	}
	first.says(names, event.InSize, "")
	late := startWall(t, wall.Options{Broker: url, ClientID: "late"})
	late.says(names, event.InSize, "")
	bay.tell(t)
	for _, name := range names {
		late.eventually("the next state of "+name, func() bool { return late.bore(name).Seq > 10 })
	}
	if page := late.get("/wall"); !strings.Contains(page, "test/hone-bay-19") {
		t.Error("the wall doesn't name site and station")
	}
	body, _ := json.Marshal(event.Action{Do: "part"})
	resp, err := http.Post("http://"+late.addr+"/station/test.hone-bay-10/do", "application/json", bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusForbidden {
		t.Errorf("an action at the wall: %s", resp.Status)
	}
}

// What is wrong with the options is said before anything starts.
func TestWallOptions(t *testing.T) {
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("hush\r\nmore\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	good := wall.Options{Broker: "tcp://127.0.0.1:1", Listen: daemontest.FreePort(t), Log: zerolog.Nop()}
	for want, set := range map[string]func(*wall.Options){
		"broker":                          func(o *wall.Options) { o.Broker = "" },
		`site "a/b"`:                      func(o *wall.Options) { o.Site = "a/b" },
		"password file: open":             func(o *wall.Options) { o.PasswordFile = secret + "x" },
		"password: give the user as well": func(o *wall.Options) { o.PasswordFile = secret },
		"listen":                          func(o *wall.Options) { o.Listen = "127.0.0.1:99999" },
	} {
		o := good
		set(&o)
		if err := wall.Serve(t.Context(), o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}
