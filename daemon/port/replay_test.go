package port

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"
	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/drivers"
)

const replayDir = "../../testdata/port/replay"

func play(t testing.TB, c Config) []Chunk {
	t.Helper()
	c.Name = "bench"
	var got []Chunk
	err := New(c, zerolog.Nop()).Run(context.Background(), func(c Chunk) {
		c.Data = slices.Clone(c.Data)
		got = append(got, c)
	})
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// show writes chunks a line each, without the reasons.
func show(chunks []Chunk) string {
	var b strings.Builder
	for _, c := range chunks {
		fmt.Fprintf(&b, "%v %s %v", c.At.Mono, c.At.Wall.Format(time.RFC3339Nano), c.Kind)
		if c.Kind == Data {
			fmt.Fprintf(&b, " %q", c.Data)
		}
		if c.Kind == LineState {
			fmt.Fprintf(&b, " %v", c.Lines)
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func TestReplay_GivesTheTimesOfTheRecording(t *testing.T) {
	for _, c := range []struct {
		name    string
		silence time.Duration
		want    string
	}{
		{"by-hand", 50 * time.Millisecond, `0s 2026-11-25T00:00:00Z up
50ms 2026-11-25T00:00:00.05Z idle
100ms 2026-11-25T00:00:00.1Z idle
150ms 2026-11-25T00:00:00.15Z idle
400ms 2026-11-25T00:00:00.4Z data "+12.70"
420ms 2026-11-25T00:00:00.42Z data "03 mm\r\n"
470ms 2026-11-25T00:00:00.47Z idle
520ms 2026-11-25T00:00:00.52Z idle
570ms 2026-11-25T00:00:00.57Z idle
900ms 2026-11-25T08:17:31.9Z data "+12."
910ms 2026-11-25T08:17:31.91Z lost
1.5s 2026-11-25T08:17:32.5Z up
1.55s 2026-11-25T08:17:32.55Z idle
1.6s 2026-11-25T08:17:32.6Z idle
1.6s 2026-11-25T08:17:32.6Z data "+12.7004 mm\r\n"
1.65s 2026-11-25T08:17:32.65Z idle
1.65s 2026-11-25T08:17:32.65Z end
`},
		{"recorded", 4 * time.Millisecond, `0s 2026-11-25T09:00:00+01:00 up
100ms 2026-11-25T09:00:00.1+01:00 line state CTS
200ms 2026-11-25T09:00:00.2+01:00 data "+12.7\xff"
250ms 2026-11-25T09:00:00.25+01:00 line error
260ms 2026-11-25T09:00:00.26+01:00 idle
260ms 2026-11-25T09:00:00.26+01:00 end
`},
	} {
		t.Run(c.name, func(t *testing.T) {
			device := schemeRecording + filepath.Join(replayDir, c.name+".rec")
			got := play(t, Config{Device: device, Silence: c.silence})
			if s := show(got); s != c.want {
				t.Errorf("got\n%s\nwant\n%s", s, c.want)
			}
			synctest.Test(t, func(t *testing.T) { // at twice the pace: the same, but later
				began := time.Now()
				slow := play(t, Config{Device: device, Silence: c.silence, Speed: 2})
				if s := show(slow); s != c.want {
					t.Errorf("at a pace: got\n%s", s)
				}
				if d, want := time.Since(began), got[len(got)-1].At.Mono/2; d != want {
					t.Errorf("took %v, want %v", d, want)
				}
			})
		})
	}
}

func TestReplay_StopsInTheMiddle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		p := New(Config{Name: "a", Device: schemeRecording + filepath.Join(replayDir, "by-hand.rec"), Speed: 1}, zerolog.Nop())
		var got []Chunk
		if err := p.Run(ctx, func(c Chunk) { got = append(got, c) }); err != nil {
			t.Error(err)
		}
		if s := sequence(got); s != "up, data, lost" {
			t.Errorf("told %s", s)
		}
		if err := p.Write(t.Context(), []byte("?\r")); err != nil {
			t.Errorf("a recording drops what is sent to it: %v", err)
		}
	})
}

func TestReplay_RefusesWhatIsNoRecording(t *testing.T) {
	bad := filepath.Join(t.TempDir(), "bad.rec")
	if err := os.WriteFile(bad, []byte("+12.7003\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{bad, bad + ".none"} {
		p := New(Config{Name: "a", Device: schemeRecording + path}, zerolog.Nop())
		if err := p.Run(t.Context(), func(Chunk) {}); err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v", path, err)
		}
	}
}

// recordingsIn returns the recordings in dir, oldest first.
func recordingsIn(t testing.TB, dir string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*.rec"))
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// A recording played and recorded again is the same to the byte: for any
// chunks, whatever the bytes, times and marks.
func TestRecorder_ReplayIsByteEqual(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		wall := time.Date(2026, 11, 25, 9, 0, 0, 0, time.FixedZone("", 3600))
		var at time.Duration
		text := drivers.AppendHeader(nil, &drivers.Recording{Driver: "line", Settings: "9600 8N1", Date: wall.Format(time.RFC3339)})
		add := func(c drivers.Entry) {
			c.At, c.Wall = at, wall.Add(at)
			text = drivers.AppendEntry(text, c)
		}
		add(drivers.Entry{Mark: markBecause + "recording"})
		add(drivers.Entry{Mark: drivers.MarkOpened})
		for range rapid.IntRange(0, 60).Draw(rt, "n") {
			at += time.Duration(rapid.Int64Range(0, 3e9).Draw(rt, "gap"))
			switch rapid.IntRange(0, 5).Draw(rt, "kind") {
			case 0:
				add(drivers.Entry{Mark: markIdle})
			case 1:
				add(drivers.Entry{Mark: markLineError})
			case 2:
				add(drivers.Entry{Mark: markLines + "CTS RI"})
			default:
				add(drivers.Entry{Data: rapid.SliceOfN(rapid.Byte(), 1, 20).Draw(rt, "data")})
			}
		}
		dir, err := os.MkdirTemp("", "recorder")
		if err != nil {
			rt.Fatal(err)
		}
		defer os.RemoveAll(dir)
		path := filepath.Join(dir, "in")
		if err := os.WriteFile(path, text, 0o600); err != nil {
			rt.Fatal(err)
		}
		out := filepath.Join(dir, "out")
		play(t, Config{Device: schemeRecording + path, RecordDir: out, About: drivers.Recording{Driver: "line", Settings: "9600 8N1"}})
		names := recordingsIn(t, out)
		if len(names) != 1 {
			rt.Fatalf("recordings: %q", names)
		}
		got, err := os.ReadFile(names[0])
		if err != nil {
			rt.Fatal(err)
		}
		if string(got) != string(text) {
			rt.Fatalf("recorded\n%s\nin place of\n%s", got, text)
		}
	})
}

func TestRecorder_StaysWithinItsAllowance(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	other := filepath.Join(dir, "bench-notes.txt")
	if err := os.WriteFile(other, []byte("keep"), 0o600); err != nil {
		t.Fatal(err)
	}
	c := Config{Name: "bench", RecordDir: dir, RecordMax: 512 << 10}
	r := newRecorder(c, zerolog.Nop())
	r.start()
	wall := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	var last string
	for i := range 30000 {
		at := time.Duration(i) * time.Millisecond
		last = fmt.Sprintf("+%07d mm\r\n", i)
		within(t, 10*time.Second, "room in the queue", func() bool { return len(r.queue) < recorderQueue })
		r.chunk(Chunk{At: drivers.Moment{Wall: wall.Add(at), Mono: at}, Data: []byte(last)})
	}
	r.stop()
	names, total := recordingsIn(t, dir), int64(0)
	for _, name := range names {
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		total += info.Size()
	}
	if len(names) < 4 || total > c.RecordMax || total < c.RecordMax/2 {
		t.Errorf("%d recordings of %d bytes, allowed are %d", len(names), total, c.RecordMax)
	}
	text, err := os.ReadFile(names[len(names)-1])
	if err != nil {
		t.Fatal(err)
	}
	rec, err := drivers.ParseRecording(text)
	if err != nil || string(rec.Entries[len(rec.Entries)-1].Data) != last {
		t.Errorf("the newest ends with %q, %v; want %q", rec.Entries[len(rec.Entries)-1].Data, err, last)
	}
	if rec.Entries[0].At != 0 {
		t.Errorf("the newest begins at %v, want 0", rec.Entries[0].At)
	}
	if _, err := os.Stat(other); err != nil {
		t.Error("a file that isn't a recording was removed")
	}
	if r.dropped.Load() != 0 {
		t.Errorf("dropped %d", r.dropped.Load())
	}
}

func TestRecorder_FaultNeverDisturbsReading(t *testing.T) {
	notDir := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(notDir, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	c := fakeConfig()
	c.RecordDir = notDir
	var r *running
	synctest.Test(t, func(t *testing.T) {
		f := newFake()
		open, _ := give(f)
		r = runOpen(t, c, open)
		for range 20 {
			f.in <- []byte("+12.7003 mm\r\n")
		}
		synctest.Wait()
		r.stop()
	})
	if n := len(r.bytes()); n != 20*13 {
		t.Errorf("%d bytes came, want 20 lines of 13", n)
	}
	s := r.Status().Counters
	if s.RecordFaults == 0 || s.RecordDropped < 20 {
		t.Errorf("counted %+v", s)
	}
	if n := strings.Count(r.log.String(), "recording stopped"); n != 1 {
		t.Errorf("logged %d times, want once:\n%s", n, r.log)
	}
	var entry map[string]any
	first, _, _ := strings.Cut(r.log.String(), "\n")
	if err := json.Unmarshal([]byte(first), &entry); err != nil || entry["port"] != "bench" {
		t.Errorf("log entry %s: %v", first, err)
	}
}

func TestWallOf_NothingKnown(t *testing.T) {
	wall := wallOf(&drivers.Recording{})
	if got := wall(drivers.Entry{At: time.Second}); !got.Equal(time.Unix(1, 0)) {
		t.Errorf("got %v", got)
	}
}

func TestReplay_TornRecordingPlaysWhatIsWhole(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(replayDir, "by-hand.rec"))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "torn.rec")
	if err := os.WriteFile(path, text[:len(text)-5], 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := drivers.ParseRecording(text[:len(text)-5]); !errors.Is(err, drivers.ErrTorn) {
		t.Fatalf("not torn: %v", err)
	}
	if s := sequence(play(t, Config{Device: schemeRecording + path})); s != "up, data, lost, up, end" {
		t.Errorf("told %s", s)
	}
}

// A recording keeps the cause of a loss as it was said; one by hand has it in words, or
// none.
func TestReplay_SaysTheCauseOfALoss(t *testing.T) {
	gone := analysis.Say("port.write", analysis.Say("port.not_taken", time.Second))
	for mark, want := range map[string]string{
		because(gone): gone.Error(), markBecause + "unplugged": "port.failed(unplugged)", markBecause + "{}": "port.failed({})", markIdle: "port.lost_or_closed()",
	} {
		list := playlist(&drivers.Recording{Entries: []drivers.Entry{{Mark: drivers.MarkOpened}, {Mark: mark}, {Mark: drivers.MarkLost}, {Mark: drivers.MarkLost}}}, 0)
		var got []string
		for _, c := range list {
			if c.Kind == Lost {
				got = append(got, c.Why.Error())
			}
		}
		if !slices.Equal(got, []string{want, "port.lost_or_closed()"}) {
			t.Errorf("%s: %q, want %q", mark, got, want)
		}
	}
}
