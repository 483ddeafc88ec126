package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/daemon/config"
	"fairbore/daemon/event"
	"fairbore/daemon/store"
	"fairbore/daemon/web"
)

// configured runs a daemon by a file, and stops it at the end of the test. left receives why it is to
// begin anew.
func configured(t *testing.T, text string) (d *Daemon, left <-chan error) {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "fairbore.yaml")
	text = strings.ReplaceAll(text, "JOURNAL", filepath.Join(dir, "journal.db"))
	if err := os.WriteFile(path, []byte(text), 0o640); err != nil {
		t.Fatal(err)
	}
	f, err := openFile(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	why := make(chan error, 1)
	d = &Daemon{cfg: f.cfg, version: "test", log: zerolog.Nop(), speed: 1, file: f, leave: func(err error) { why <- err }}
	if _, err := open(ctx, d); err != nil {
		t.Fatal(err)
	}
	if err := d.noticed(ctx); err != nil {
		t.Fatal(err)
	}
	over := make(chan error, 1)
	go func() { over <- d.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	})
	<-d.Ready()
	return d, why
}

const twoStations = `version: 1
site: shop # ours
journal: {path: JOURNAL}
web: {listen: "127.0.0.1:0"}
gauges:
  G: {driver: line, unit: mm} # the old one
rings:
  R-1: {size: 31.7497 mm, u: 0.25 um}
people:
  ab: {name: first, roles: [gauge, accept, set_up]}
stations:
  - {name: bay-1, gauge: G, port: "recording:none.rec"}
  - {name: bay-2, gauge: G, port: "tcp://127.0.0.1:1"}
`

// recordedChanges returns the events of changes in a journal.
func recordedChanges(t *testing.T, d *Daemon) (out []event.Record) {
	t.Helper()
	for r, err := range d.journal.Query(t.Context(), store.Filter{Kinds: []event.Kind{event.FileChanged}}) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

// TestConfigure changes the configuration of a program that runs: the file, what was before it, the
// journal and the stations all follow, or nothing does.
func TestConfigure(t *testing.T) {
	d, left := configured(t, strings.Replace(twoStations, `"recording:none.rec"`, `"tcp://127.0.0.1:2"`, 1))
	f := d.file
	before, _ := os.ReadFile(f.path)
	hash := hashOf(before)
	by := web.Who{Person: "ab", Proof: event.ByPIN, Source: "page"}
	ring := []config.Change{{Key: []string{"rings", "R-2"}, Value: map[string]any{"size": "9.5 mm", "u": "0.3 um"}}}
	file := func() string {
		text, err := os.ReadFile(f.path)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	for _, tt := range []struct {
		name, hash string
		c          config.Change
		want       string
	}{
		{"for another text", "other", ring[0], "change.edited"},
		{"what check refuses", hash, config.Change{Key: []string{"rings", "R-2", "size"}, Value: "9 mm"}, "rings.R-2.u"},
		{"what the ports refuse", hash, config.Change{Key: []string{"stations", "bay-2", "port"}, Value: "ftp://x"}, "ftp"},
		{"what opens the page to the network", hash, config.Change{Key: []string{"web", "listen"}, Value: "0.0.0.0:0"}, "web.listen"},
		{"an address of another machine", hash, config.Change{Key: []string{"web"}, Value: map[string]any{"listen": "192.0.2.1:0", "open": true}}, "web.listen"},
	} {
		err := d.Configure(t.Context(), by, tt.hash, tt.c)
		if err == nil || !strings.Contains(fmt.Sprintf("%v %v", err, analysis.Reason(err).Code), tt.want) || file() != string(before) {
			t.Errorf("%s: %v, want %s; the file\n%s", tt.name, err, tt.want, file())
		}
	}
	if _, err := os.Stat(f.path + config.Before); err == nil || len(recordedChanges(t, d)) > 0 {
		t.Error("something was kept or recorded of what was refused")
	}
	if err := d.Configure(t.Context(), by, hash, ring...); err != nil {
		t.Fatal(err)
	}
	want := strings.Replace(string(before), "people:", "  R-2:\n    size: 9.5 mm\n    u: 0.3 um\npeople:", 1)
	if kept, _ := os.ReadFile(f.path + config.Before); file() != want || string(kept) != string(before) {
		t.Errorf("the file is\n%s, want\n%s; kept is\n%s", file(), want, kept)
	}
	if info, err := os.Stat(f.path); err != nil || info.Mode().Perm() != 0o640 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	for _, name := range []string{"bay-1", "bay-2"} {
		if set, _ := d.hub.Settings(name); set.Rings["R-2"] == nil {
			t.Errorf("%s does not know the ring", name)
		}
	}
	all := recordedChanges(t, d)
	if len(all) != 2 || all[0].Station != "bay-1" || all[1].Station != "bay-2" {
		t.Fatalf("recorded %+v", all)
	}
	e := all[1]
	if c := e.File; e.Person != "ab" || e.Source != "page" || c.By != event.ByPIN || !slices.Equal(c.Keys, []string{"rings.R-2.size", "rings.R-2.u"}) || c.Before != hash || c.After != hashOf([]byte(want)) {
		t.Errorf("recorded %+v, %+v", e, c)
	}

	// Somebody writes in the file meanwhile.
	edited := file() + "# mine\n"
	if err := os.WriteFile(f.path, []byte(edited), 0o640); err != nil {
		t.Fatal(err)
	}
	_, now, _ := changing{d}.Configured()
	more := config.Change{Key: []string{"rings", "R-1", "due"}, Value: "2027-01-25"}
	if err := d.Configure(t.Context(), by, now, more); analysis.Reason(err).Code != "change.edited" || file() != edited {
		t.Errorf("%v, and the file is\n%s", err, file())
	}
	if all = recordedChanges(t, d); len(all) != 4 || all[2].Source != "hand" || all[2].Person != "" || all[2].File.After != hashOf([]byte(edited)) {
		t.Errorf("recorded %+v", all)
	}
	faulty := strings.Replace(edited, "site: shop", "site: a shop", 1)
	for _, text := range []string{faulty, edited} {
		if err := os.WriteFile(f.path, []byte(text), 0o640); err != nil {
			t.Fatal(err)
		}
		d.reload(t.Context()) // as on SIGHUP
		_, now, _ = changing{d}.Configured()
		if err := d.Configure(t.Context(), by, now, more); text == faulty && (analysis.Reason(err).Code != "change.edited_faulty" || file() != faulty) {
			t.Errorf("%v, and the file is\n%s", err, file())
		}
	}
	if !strings.Contains(file(), "# mine\n") || !strings.Contains(file(), "due:") {
		t.Fatalf("the file is\n%s", file())
	}

	// A passphrase is nowhere in the journal, and another page begins with it.
	const secret = "$2a$10$N9qo8uLOickgx2ZMRZoMyeIjZAgcfl7p92ldGxad68LJZdL17lhWy"
	_, now, _ = changing{d}.Configured()
	if err := d.Configure(t.Context(), by, now, config.Change{Key: []string{"web", "hash"}, Value: secret}); err != nil {
		t.Fatal(err)
	}
	if why := <-left; !errors.Is(why, errAnew) {
		t.Errorf("it leaves for %v", why)
	}
	for r, err := range d.journal.Query(t.Context(), store.Filter{}) {
		text, _ := json.Marshal(r)
		if err != nil || strings.Contains(string(text), "$2a$") {
			t.Fatalf("%v %s", err, text)
		}
	}
	_, now, _ = changing{d}.Configured()
	if err := d.Configure(t.Context(), by, now, more); analysis.Reason(err).Code != "change.anew" {
		t.Errorf("while it leaves: %v", err)
	}
}

// TestNoticed records at the start that the file is another than the one that was recorded last, as
// after a power cut between the two.
func TestNoticed(t *testing.T) {
	d, _ := configured(t, strings.Replace(twoStations, `"recording:none.rec"`, `"tcp://127.0.0.1:2"`, 1))
	f := d.file
	if err := d.Configure(t.Context(), web.Who{Source: "page"}, hashOf(f.text), config.Change{Key: []string{"rings", "R-1", "due"}, Value: "2027-01-25"}); err != nil {
		t.Fatal(err)
	}
	n := len(recordedChanges(t, d))
	for range 2 {
		if err := d.noticed(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if got := len(recordedChanges(t, d)); got != n {
		t.Errorf("%d, want %d: nothing has changed", got, n)
	}
	f.disk = append(slices.Clone(f.disk), "# mine\n"...)
	if err := d.noticed(t.Context()); err != nil {
		t.Fatal(err)
	}
	until := time.Now().Add(20 * time.Second)
	for len(recordedChanges(t, d)) < n+2 && time.Now().Before(until) {
		time.Sleep(10 * time.Millisecond)
	}
	if all := recordedChanges(t, d); len(all) != n+2 || all[n].Source != "hand" || all[n].File.After != hashOf(f.disk) {
		t.Errorf("recorded %d, the last %+v", len(all), all[len(all)-1].File)
	}
}

// TestNothingSetUp runs a configuration without stations, whose changes are recorded too.
func TestNothingSetUp(t *testing.T) {
	d, left := configured(t, "version: 1\njournal: {path: JOURNAL}\nweb: {listen: \"127.0.0.1:0\"}\n")
	if d.jobs("") != nil {
		t.Error("jobs of no station")
	}
	hash := func() string { _, h, _ := changing{d}.Configured(); return h }
	if err := d.Configure(t.Context(), web.Who{Source: "page"}, hash(), config.Change{Key: []string{"people", "ab"}, Value: map[string]any{"roles": []any{"gauge", "accept", "set_up"}}}); err != nil {
		t.Fatal(err)
	}
	if all := recordedChanges(t, d); len(all) != 1 || all[0].Station != unplaced {
		t.Errorf("recorded %+v", all)
	}
	if set, _ := d.settings(""); set.People["ab"].Rights == nil {
		t.Error("who may set up is not known")
	}
	if err := d.Configure(t.Context(), web.Who{Source: "page"}, hash(),
		config.Change{Key: []string{"site"}, Value: "shop"}, config.Change{Key: []string{"gauges", "G"}, Value: map[string]any{"driver": "line", "unit": "mm"}},
		config.Change{Key: []string{"stations", "bay"}, Value: map[string]any{"gauge": "G", "port": "tcp://127.0.0.1:1"}}); err != nil {
		t.Fatal(err)
	}
	if why := <-left; !errors.Is(why, errAnew) {
		t.Errorf("it leaves for %v", why)
	}
}

// TestServeBeginsAnew runs the program from no file on: it takes a new file up, and one with which
// nothing runs is taken back.
func TestServeBeginsAnew(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "new", "fairbore.yaml")
	pages := make(chan string, 8)
	ctx, cancel := context.WithCancel(t.Context())
	over := make(chan error, 1)
	o := Served{Path: path, Version: "test", Log: zerolog.New(zerolog.NewTestWriter(t)), Started: func(page string) { pages <- page },
		Fresh: []config.Change{{Key: []string{"journal", "path"}, Value: filepath.Join(dir, "journal.db")}, {Key: []string{"web", "listen"}, Value: "127.0.0.1:0"}}}
	running := make(chan *Daemon, 8)
	o.running = func(d *Daemon) { running <- d }
	go func() { over <- Serve(ctx, o) }()
	d, page := <-running, <-pages
	<-d.Ready()
	change := func(c ...config.Change) error {
		_, hash, _ := changing{d}.Configured()
		return d.Configure(t.Context(), web.Who{Source: "page"}, hash, c...)
	}
	station := []config.Change{
		{Key: []string{"site"}, Value: "shop"}, {Key: []string{"gauges", "G"}, Value: map[string]any{"driver": "line", "unit": "mm"}},
		{Key: []string{"stations", "bay"}, Value: map[string]any{"gauge": "G", "port": "tcp://127.0.0.1:1"}},
	}
	if err := change(station...); err != nil {
		t.Fatal(err)
	}
	d = <-running
	if again := <-pages; again != page {
		t.Errorf("the page is at %s, and was at %s", again, page)
	}
	<-d.Ready()
	if len(d.stations) != 1 {
		t.Errorf("%d stations", len(d.stations))
	}
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}

	// An address that somebody takes after it was looked at.
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := taken.Addr().String()
	if err := change(config.Change{Key: []string{"broker", "embedded", "listen"}, Value: addr}); err != nil {
		t.Fatal(err)
	}
	d = <-running // the one that fails
	d = <-running
	<-d.Ready()
	taken.Close()
	text, _, undone := changing{d}.Configured()
	if now, _ := os.ReadFile(path); string(now) != string(good) || string(text) != string(good) || undone == nil {
		t.Errorf("not taken back (%v): the file is\n%s", undone, now)
	}
	cancel()
	if err := <-over; err != nil {
		t.Error(err)
	}
}

// TestNotWritten says what to do where the file can't be written.
func TestNotWritten(t *testing.T) {
	for _, tt := range []struct {
		err  error
		code string
	}{
		{&os.PathError{Err: syscall.ENOSPC}, "change.full"}, {&os.PathError{Err: syscall.EDQUOT}, "change.full"},
		{&os.PathError{Err: syscall.EACCES}, "change.forbidden"}, {&os.PathError{Err: syscall.EROFS}, "change.forbidden"}, {syscall.EIO, "change.not_written"},
	} {
		if got := analysis.Reason(notWritten("/x/y", tt.err)).Code; got != tt.code {
			t.Errorf("%v: %s, want %s", tt.err, got, tt.code)
		}
	}
}
