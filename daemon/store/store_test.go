package store

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

var morning = time.Date(2026, 3, 9, 8, 0, 0, 0, time.FixedZone("", 3600))

func note(station, text string) event.Event {
	return event.Event{Station: station, At: morning, Kind: event.NoteAdded, Note: text}
}

func jobEvent(station, id string) event.Event {
	return event.Event{Station: station, At: morning, Kind: event.JobChosen, Job: &analysis.Job{
		ID: id, Title: "pivot bracket bush", Unit: analysis.IN, Nominal: 222_300_800, Length: 38 * analysis.Millimetre, Ring: "R-0875",
		Sections: []analysis.Length{4 * analysis.Millimetre, 13 * analysis.Millimetre}, Orientations: []analysis.Angle{0, 90 * analysis.Degree},
	}}
}

func partEvent(station, serial string, count int) event.Event {
	return event.Event{Station: station, At: morning, Kind: event.PartBegun, Part: &event.Part{Serial: serial, Count: count}}
}

func reading(station, job, part string, no int) event.Event {
	at := morning.Add(time.Duration(no) * 20 * time.Second)
	return event.Event{Station: station, At: at, Kind: event.Taken, Source: "gauge", Reading: &event.Reading{
		No: no, Job: job, Part: part, Gauge: "G-11", How: "settled", Mastered: 1,
		Reading: analysis.Reading{Place: analysis.Place{Depth: 13 * analysis.Millimetre, Angle: 90 * analysis.Degree}, Size: 222_282_000 + analysis.Length(no), At: at},
		Raw:     222_281_000, Deviation: -18_800,
		Sent: event.Sent{Digits: 2222810, Places: 5, Unit: analysis.MM, Frame: "+22.22810 mm\\r\\n"},
	}}
}

func config(t testing.TB) Config {
	return Config{Path: filepath.Join(t.TempDir(), "journal.db"), Reserve: 64 << 10}
}

// running is an open journal whose writer runs. The function stop ends the writer, closes the
// journal and returns the errors of Run and Close.
type running struct {
	*Journal
	mu   sync.Mutex
	told []event.Record
	stop func() error
}

func start(t testing.TB, cfg Config, tune ...func(*Journal)) *running {
	t.Helper()
	j, err := Open(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	r := &running{Journal: j}
	j.tick, j.retry = 10*time.Millisecond, 10*time.Millisecond
	j.OnCommit(func(rs []event.Record) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.told = append(r.told, rs...)
	})
	for _, f := range tune {
		f(j)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- j.Run(ctx) }()
	r.stop = sync.OnceValue(func() error {
		cancel()
		return errors.Join(<-done, j.Close())
	})
	t.Cleanup(func() { r.stop() })
	return r
}

func (r *running) append(t testing.TB, events ...event.Event) {
	t.Helper()
	if err := r.Append(t.Context(), events); err != nil {
		t.Fatal(err)
	}
}

// settle waits until OnCommit was called with n events.
func (r *running) settle(t testing.TB, n uint64) {
	t.Helper()
	eventually(t, fmt.Sprintf("%d events recorded", n), func() bool {
		r.mu.Lock()
		defer r.mu.Unlock()
		return uint64(len(r.told)) >= n || r.Last() >= n && r.onCommit == nil
	})
}

// settleOrFail waits until n events are recorded, or the journal says that it does not record.
func (r *running) settleOrFail(t *testing.T, n uint64) {
	t.Helper()
	eventually(t, "recorded or not", func() bool { return r.Last() >= n || !r.Status().Recording })
}

func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(time.Minute); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain for: %s", what)
		}
	}
}

func mustStop(t testing.TB, r *running) {
	t.Helper()
	if err := r.stop(); err != nil {
		t.Fatal(err)
	}
}

func mustVerify(t testing.TB, path string) Report {
	t.Helper()
	rep, err := Verify(t.Context(), path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !rep.Sound() {
		t.Fatalf("not sound: %+v", rep)
	}
	return rep
}

func asJSON(t testing.TB, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// OnCommit, a reader, and a reader after a restart get the same records, numbered without a gap.
func TestRecordsSurviveRestart(t *testing.T) {
	cfg := config(t)
	r := start(t, cfg)
	r.append(t, jobEvent("hone bay 1", "J-4107"), partEvent("hone bay 1", "0001", 1))
	r.append(t, reading("hone bay 1", "J-4107", "0001", 1))
	r.append(t, note("bench 4", `<quotes> & "umlauts" äöü ⌭`))
	mustStop(t, r)
	if got, err := r.told[3], error(nil); got.Seq != 4 || got.Journal != r.ID() || err != nil {
		t.Fatalf("told %+v", got)
	}
	again := start(t, cfg)
	back, err := again.after(t.Context(), 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	if a, b := asJSON(t, r.told), asJSON(t, back); a != b {
		t.Errorf("told\n%s\nread\n%s", a, b)
	}
	if again.ID() != r.ID() || again.Last() != 4 {
		t.Errorf("journal %s ends at %d; want %s, 4", again.ID(), again.Last(), r.ID())
	}
	again.append(t, note("bench 4", "goes on"))
	mustStop(t, again)
	if rep := mustVerify(t, cfg.Path); rep.Rows != 5 || rep.Journal != r.ID() {
		t.Errorf("%+v", rep)
	}
}

// The chain of hashes is the one that doc.go describes. The test computes it without the functions
// that are tested.
func TestChainAsDocumented(t *testing.T) {
	who := identity{id: "00112233445566778899aabbccddeeff", made: 1<<40 + 7, dictionary: []byte(`{"station":`)}
	first := sha256.Sum256([]byte(who.id + "\x00\x00\x01\x00\x00\x00\x00\x07" + `{"station":`))
	want := sha256.Sum256([]byte(string(first[:]) + "\x00\x00\x00\x00\x00\x00\x00\x01{}"))
	if got := link(who.genesis(), 1, []byte("{}")); got != want {
		t.Errorf("%x, want %x", got, want)
	}
}

func TestAppendRefuses(t *testing.T) {
	r := start(t, config(t))
	for name, e := range map[string]event.Event{
		"station": {At: morning, Kind: event.NoteAdded},
		"kind":    {Station: "bench 4", At: morning},
		"time":    {Station: "bench 4", Kind: event.NoteAdded},
	} {
		err := r.Append(t.Context(), []event.Event{note("bench 4", "sound"), e})
		if err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("without %s: %v", name, err)
		}
	}
	mustStop(t, r)
	if r.Last() != 0 {
		t.Errorf("%d events recorded of refused ones", r.Last())
	}
	if err := r.Append(t.Context(), []event.Event{note("bench 4", "late")}); !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
}

// When many goroutines append at the same time, OnCommit gets every event once, in the order of its
// station. The events of one Append are never split between commits.
func TestOrderUnderLoad(t *testing.T) {
	var groups [][]event.Record
	cfg := config(t)
	cfg.Queue = 700
	r := start(t, cfg, func(j *Journal) {
		j.OnCommit(func(rs []event.Record) { groups = append(groups, rs) })
	})
	const stations, appends, size = 4, 80, 7
	var wg sync.WaitGroup
	for s := range stations {
		wg.Go(func() {
			for a := range appends {
				var batch []event.Event
				for k := range size {
					batch = append(batch, note(fmt.Sprintf("bay %d", s), fmt.Sprint(a*size+k)))
				}
				if err := r.Append(t.Context(), batch); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	big := make([]event.Event, 3*groupMost)
	for i := range big {
		big[i] = note("big", fmt.Sprint(i))
	}
	r.append(t, big...)
	mustStop(t, r)
	next, seq := map[string]int{}, uint64(0)
	for _, g := range groups {
		for i, rec := range g {
			if seq++; rec.Seq != seq || rec.Note != fmt.Sprint(next[rec.Station]) {
				t.Fatalf("event %d of %s is told as %d, %q; want %d, %d", seq, rec.Station, rec.Seq, rec.Note, seq, next[rec.Station])
			}
			next[rec.Station]++
			if i == len(g)-1 && rec.Station != "big" && next[rec.Station]%size != 0 {
				t.Fatalf("an Append of %s was split", rec.Station)
			}
		}
	}
	if want := uint64(stations*appends*size + len(big)); seq != want {
		t.Errorf("%d told, want %d", seq, want)
	}
	if len(groups[len(groups)-1]) != len(big) {
		t.Errorf("the large Append came in parts")
	}
	mustVerify(t, cfg.Path)
}

func TestAppendWaitsForRoom(t *testing.T) {
	cfg := config(t)
	cfg.Queue = 3
	j, err := Open(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	three := []event.Event{note("a", "1"), note("a", "2"), note("a", "3")}
	if err := j.Append(t.Context(), three); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	blocked := make(chan error)
	go func() { blocked <- j.Append(ctx, three[:1]) }()
	eventually(t, "an Append that waits", func() bool { return j.Status().Waits == 1 })
	if s := j.Status(); s.Queued != 3 || !s.HalfFull {
		t.Errorf("%+v", s)
	}
	cancel()
	if err := <-blocked; !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	go func() { blocked <- j.Append(context.Background(), three) }()
	eventually(t, "another", func() bool { return j.Status().Waits == 2 })
	run, stop := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- j.Run(run) }()
	if err := <-blocked; err != nil {
		t.Error(err)
	}
	stop()
	if err := errors.Join(<-done, j.Close()); err != nil {
		t.Error(err)
	}
	if j.Last() != 6 {
		t.Errorf("ends at %d, want 6", j.Last())
	}
}

func TestSecondIsRefused(t *testing.T) {
	cfg := config(t)
	r := start(t, cfg)
	if _, err := Open(t.Context(), cfg); !errors.Is(err, ErrInUse) {
		t.Fatalf("a second one: %v", err)
	}
	mustStop(t, r)
	again, err := Open(t.Context(), cfg)
	if err != nil {
		t.Fatalf("after the first has gone: %v", err)
	}
	if err := again.Run(cancelled(t)); err != nil {
		t.Error(err)
	}
	if err := again.Run(t.Context()); err == nil {
		t.Error("a second Run is not refused")
	}
	again.Close()
}

func cancelled(t testing.TB) context.Context {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	return ctx
}

func TestCursors(t *testing.T) {
	cfg := config(t)
	r := start(t, cfg)
	r.append(t, note("a", "1"), note("a", "2"), note("a", "3"))
	r.settle(t, 3)
	r.SetCursor("broker", 2)
	r.SetCursor("plant", 3)
	r.SetCursor("broker", 9) // refused, since event 9 is not recorded yet
	// The cursors are written when the journal is idle, without an event.
	eventually(t, "cursors on disk", func() bool {
		var n int
		err := r.read.QueryRowContext(t.Context(), "select count(*) from cursor where (name, seq) in (('broker', 2), ('plant', 3))").Scan(&n)
		return err == nil && n == 2
	})
	r.SetCursor("broker", 3)
	mustStop(t, r)
	again := start(t, cfg)
	for name, want := range map[string]uint64{"broker": 3, "plant": 3, "nobody": 0} {
		if got, err := again.Cursor(name); got != want || err != nil {
			t.Errorf("%s: %d, %v; want %d", name, got, err, want)
		}
	}
}

// A cursor is written in the same commit as an event, so it needs no sync of its own.
func TestCursorGoesWithGroup(t *testing.T) {
	r := start(t, config(t), func(j *Journal) { j.tick = time.Hour })
	r.append(t, note("a", "1"))
	r.settle(t, 1)
	r.SetCursor("broker", 1)
	r.append(t, note("a", "2"))
	r.settle(t, 2)
	var n int
	if err := r.read.QueryRowContext(t.Context(), "select seq from cursor where name = 'broker'").Scan(&n); err != nil || n != 1 {
		t.Errorf("on disk: %d, %v", n, err)
	}
}

// The triggers refuse every change, even by a person who opens the database directly.
func TestTriggersRefuse(t *testing.T) {
	r := start(t, config(t))
	r.append(t, note("a", "1"), note("a", "2"))
	mustStop(t, r)
	db, err := openPool(r.path, "", map[string]string{"busy_timeout": "1000"}, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, statement := range []string{
		"update event set body = '{}'", "delete from event", "delete from event where seq = 2",
		"insert or replace into event select seq, at, station, kind, job, part, x'00', hash from event where seq = 2",
		"insert into event select seq + 9, at, station, kind, job, part, body, hash from event where seq = 2",
		"insert into event select seq - 2, at, station, kind, job, part, body, hash from event where seq = 2",
		"update journal set id = 'x'", "delete from journal",
	} {
		if _, err := db.ExecContext(t.Context(), statement); err == nil {
			t.Errorf("not refused: %s", statement)
		}
	}
	mustVerify(t, r.path)
}

func TestReadBackRefuses(t *testing.T) {
	cfg := config(t)
	db, err := openPool(cfg.Path, "", map[string]string{"synchronous": "1", "journal_mode": "delete"}, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, name := range []string{"synchronous", "journal_mode"} {
		err := readBack(t.Context(), db, map[string]string{name: writerPragmas()[name]})
		if err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestOddPaths(t *testing.T) {
	for _, name := range []string{"with space.db", "q?uestion.db", "per%63cent.db", "hash#.db", "ümlaut/&mode=memory.db"} {
		cfg := config(t)
		cfg.Path = filepath.Join(filepath.Dir(cfg.Path), name)
		r := start(t, cfg)
		r.append(t, note("a", "1"))
		mustStop(t, r)
		if _, err := os.Stat(cfg.Path); err != nil {
			t.Errorf("%v", err)
		}
		mustVerify(t, cfg.Path)
	}
}

func TestFileSystemsThatAreRefusedOrWarnedOf(t *testing.T) {
	for fs, want := range map[fileSystem][2]bool{local: {false, false}, memory: {true, false}, unknown: {true, false}, network: {false, true}} {
		warning, err := judgeFileSystem("/srv", fs, "X")
		if got := [2]bool{warning != "", err != nil}; got != want {
			t.Errorf("file system %d: warned, refused %v; want %v", fs, got, want)
		}
	}
	if _, err := checkFileSystem(t.TempDir()); err != nil {
		t.Errorf("the folder for tests: %v", err)
	}
}

func TestViewBesideWriter(t *testing.T) {
	r := start(t, config(t))
	r.append(t, note("a", "1"))
	r.settle(t, 1)
	v, err := View(t.Context(), r.path)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	back, err := v.after(t.Context(), 0, 0)
	if err != nil || len(back) != 1 || v.ID() != r.ID() {
		t.Fatalf("%v, %v", back, err)
	}
	if err := v.Append(t.Context(), []event.Event{note("a", "2")}); !errors.Is(err, ErrClosed) {
		t.Errorf("Append to a view: %v", err)
	}
}

func TestColumnsOf(t *testing.T) {
	e := jobEvent("a", "J")
	e.Part = &event.Part{Serial: "P"}
	c := columnsOf(&e)
	if *c.job != "J" || *c.part != "P" || c.at != e.At.UnixNano() {
		t.Errorf("%+v", c)
	}
	for name, change := range map[string]func(*columns){
		"at": func(c *columns) { c.at++ }, "station": func(c *columns) { c.station = "b" }, "kind": func(c *columns) { c.kind = "void" },
		"job": func(c *columns) { c.job = nil }, "part": func(c *columns) { s := "Q"; c.part = &s },
	} {
		other := c
		change(&other)
		if got := other.differs(c); got != name {
			t.Errorf("%s changed, found %q", name, got)
		}
	}
	if got := c.differs(c); got != "" || !reflect.DeepEqual(c, columnsOf(&e)) {
		t.Errorf("the same differs in %q", got)
	}
}

// after reads the events after a number from the disk, with all their fields. It returns at most
// limit events; a limit of 0 means 1000.
func (j *Journal) after(ctx context.Context, seq uint64, limit int) ([]event.Record, error) {
	if limit == 0 {
		limit = 1000
	}
	rows, err := j.rows(ctx, "select seq, body from event where seq > ? and seq <= ? order by seq limit ?", int64(seq), int64(j.Last()), limit)
	if err != nil {
		return nil, err
	}
	return j.records(rows)
}
