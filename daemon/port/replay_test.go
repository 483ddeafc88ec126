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
		var sum drivers.Sum
		add := func(c drivers.Entry) {
			c.At, c.Wall = at, wall.Add(at)
			line := drivers.AppendEntry(nil, c)
			text, sum = append(text, line...), sum.Add(line)
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
		text = drivers.AppendCheck(text, sum)
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

// While something comes, a recording has a sum of its entries every ten seconds,
// and is synced then.
func TestRecorder_SumsAndSyncsAsItGoes(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		r := newRecorder(Config{Name: "bench", RecordDir: dir, RecordMax: 1 << 20}, zerolog.Nop())
		r.start()
		begin := time.Now()
		for range 35 {
			r.chunk(Chunk{At: drivers.Moment{Wall: time.Now(), Mono: time.Since(begin)}, Data: []byte("+12.7003 mm\r\n")})
			time.Sleep(time.Second)
		}
		synctest.Wait()
		text, err := os.ReadFile(recordingsIn(t, dir)[0])
		if err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(string(text), "# whole so far: "); n != 3 {
			t.Errorf("%d sums in 35 s, want 3:\n%s", n, text)
		}
		r.stop()
	})
	text, err := os.ReadFile(recordingsIn(t, dir)[0])
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(text), "# whole so far: "); n != 4 || !strings.HasPrefix(lastLine(text), "# whole so far: ") {
		t.Errorf("%d sums, and the last line is %q", n, lastLine(text))
	}
	if rec, err := drivers.ParseRecording(text); err != nil || len(rec.Entries) != 35 {
		t.Errorf("read again: %v", err)
	}
}

// lastLine is the last line of a text.
func lastLine(text []byte) string {
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	return lines[len(lines)-1]
}

// A link that has the name of a recording is neither written through nor stops the
// recording, and the files are for their owner and group alone.
func TestRecorder_FollowsNoLink(t *testing.T) {
	dir, elsewhere := t.TempDir(), filepath.Join(t.TempDir(), "elsewhere")
	wall := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	for _, name := range []string{"bench-20261125T090000.000000Z.rec", "bench-20261124T090000.000000Z.rec"} {
		if err := os.Symlink(elsewhere, filepath.Join(dir, name)); err != nil {
			t.Skipf("no symbolic links here: %v", err)
		}
	}
	r := newRecorder(Config{Name: "bench", RecordDir: dir, RecordMax: 1 << 20}, zerolog.Nop())
	r.start()
	r.chunk(Chunk{At: drivers.Moment{Wall: wall}, Data: []byte("+12.7003 mm\r\n")})
	r.stop()
	if _, err := os.Lstat(elsewhere); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("it wrote through the link: %v", err)
	}
	info, err := os.Lstat(filepath.Join(dir, "bench-20261125T090000.000001Z.rec"))
	if err != nil || info.Mode().Perm()&^0o640 != 0 || info.Size() == 0 {
		t.Errorf("the recording beside the link: %+v, %v", info, err)
	}
	if r.faults.Load() > 0 {
		t.Errorf("%d faults", r.faults.Load())
	}
}

// What comes before the damage is played, and the damage is told.
func TestReplay_TellsAHole(t *testing.T) {
	text := drivers.AppendHeader(nil, &drivers.Recording{Driver: "line"})
	var sum drivers.Sum
	for i := range 4 {
		line := drivers.AppendEntry(nil, drivers.Entry{At: time.Duration(i) * time.Second, Data: fmt.Appendf(nil, "+12.700%d mm\r\n", i)})
		sum = sum.Add(line)
		if text = append(text, line...); i%2 == 1 {
			text = drivers.AppendCheck(text, sum)
		}
	}
	text = []byte(strings.Replace(string(text), "+12.7002", "+12.7009", 1))
	path := filepath.Join(t.TempDir(), "hole.rec")
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	var log strings.Builder
	var got []string
	err := New(Config{Name: "bench", Device: schemeRecording + path}, zerolog.New(&log)).Run(t.Context(), func(c Chunk) {
		if c.Kind == Data {
			got = append(got, string(c.Data))
		}
	})
	if want := []string{"+12.7000 mm\r\n", "+12.7001 mm\r\n"}; err != nil || !slices.Equal(got, want) {
		t.Errorf("played %q, %v; want %q", got, err, want)
	}
	if !strings.Contains(log.String(), "damaged") {
		t.Errorf("logged %s", &log)
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
