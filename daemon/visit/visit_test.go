package visit

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/daemon/event"
	"fairbore/daemon/session"
	"fairbore/daemon/state"
	"fairbore/drivers"
	"fairbore/drivers/simulator"
)

const um = analysis.Micrometre

// played plays a part of a job of the demo's shop, with its mastering, and returns the visits and the events.
func played(t testing.TB, id string) (visits []*Visit, events []event.Event) {
	t.Helper()
	j, err := simulator.FindJob(id)
	if err != nil {
		t.Fatal(err)
	}
	job := j.Job
	job.Unit = analysis.MM
	s := session.New(state.Settings{
		Station: "bay", Jobs: map[string]*analysis.Job{j.ID: &job}, Rings: map[string]*analysis.Ring{j.Ring: &j.Master},
		Settings: event.Settings{Gauge: state.GaugeSettings{
			Name: j.Gauge.ID, Unit: analysis.MM, Tip: j.Gauge.Tip, Step: analysis.Deviation(j.Gauge.Step),
			Repeatability: analysis.Deviation(j.Gauge.Noise * float64(um)),
		},
			Capture: state.CaptureSettings{Mode: "turning"},
			Master:  state.MasterSettings{Readings: 4, Spread: analysis.Deviation(um)}},
	}, nil)
	w := &follower{station: "bay", put: func(v *Visit) { visits = append(visits, v) }}
	s.Trace(w.take)
	start := drivers.Moment{Wall: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), Mono: time.Hour}
	for _, a := range []event.Action{{Do: "job", Job: j.ID}, {Do: "part", Part: "001"}, {Do: "master"}} {
		if _, r := s.Act(start, a); !r.Done {
			t.Fatal(r.Why)
		}
	}
	d, err := drivers.Find("line")
	if err != nil {
		t.Fatal(err)
	}
	dec, err := d.Decoder(nil)
	if err != nil {
		t.Fatal(err)
	}
	stream := drivers.Stream{Decoder: dec}
	for step := range j.Session(simulator.Play{Masterings: 4, Zero: 3 * analysis.Micrometre / 10}, rand.New(rand.NewPCG(11, 4))) {
		for _, c := range step.Frames {
			at := drivers.Moment{Wall: start.Wall.Add(c.At), Mono: start.Mono + c.At}
			stream.Feed(c.Bytes, false, func(f drivers.Found) {
				if f.Reject == "" {
					events = append(events, s.Sample(at, j.Gauge.ID, f.Samples)...)
				}
			})
		}
	}
	w.end("")
	return visits, events
}

// Each visit of a part and of its ring is kept once; what came of it is what the events say, its samples are
// those that the gauge sent, with air before and after; the file of it reads back the same; and the
// capture of this build makes of it what it made before.
func TestVisitsOfAPart(t *testing.T) {
	for _, id := range []string{"J-4107", "J-4112"} {
		visits, events := played(t, id)
		type outcome struct {
			at     time.Time
			raw    analysis.Length
			u      analysis.Deviation
			passes int
		}
		var want, got []outcome
		for i := range events {
			switch e := &events[i]; e.Kind {
			case event.Taken:
				want = append(want, outcome{e.At, e.Reading.Raw, e.Reading.U, e.Reading.Turns})
			case event.RingRead:
				want = append(want, outcome{e.At, e.Ring.Raw, e.Ring.U, 0})
			}
		}
		dir := t.TempDir()
		for i, v := range visits {
			for _, r := range v.Taken {
				if r.Not != "" {
					t.Errorf("%s: visit %d: %s was not counted: %s", id, i, r.Raw, r.Not)
				}
				o := outcome{v.Began.Add(r.At), r.Raw, r.U, r.Passes}
				if strings.HasPrefix(v.In, "ring ") {
					o.passes = 0 // the event of a ring has none
				}
				got = append(got, o)
			}
			begun := i == 0 || visits[i-1].Cut != "" // in the ring: the first, and what follows on the mastering
			if !begun && i != 1 && v.Entered < around*9/10 || v.Entered > around {
				t.Errorf("%s: visit %d: %s of air before", id, i, v.Entered)
			}
			if air := v.Samples[len(v.Samples)-1]; v.Cut == "" && v.Air(air.Raw) {
				t.Errorf("%s: visit %d ends at %s, which is not free air", id, i, air.Raw)
			}
			text := v.Append(nil)
			again, err := Parse(text)
			if err != nil {
				t.Fatalf("%v\n%.3000s", err, text)
			}
			if !reflect.DeepEqual(again, v) {
				t.Fatalf("%s: visit %d reads back as\n%+v\nwant\n%+v", id, i, again, v)
			}
			if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%03d.rec", i)), text, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if len(want) < 10 || !slices.Equal(got, want) {
			t.Errorf("%s: the files say %d readings\n%v\nthe events %d\n%v", id, len(got), got, len(want), want)
		}
		all := scoreOf(t, nil, dir)
		if a := all.all; a.Visits != len(visits) || a.Before != len(want) || a.Now != a.Before || a.Same != a.Before || a.Changed+a.Other+a.Newly+a.NoLonger > 0 {
			t.Errorf("%s: the same build scores %+v", id, a)
		}
		for _, l := range all.visits {
			for i := range l.Before {
				if l.Before[i].Raw != l.Now[i].Raw || l.Before[i].U != l.Now[i].U || l.Before[i].Passes != l.Now[i].Passes {
					t.Errorf("%s: %+v became %+v", l.File, l.Before[i], l.Now[i])
				}
			}
			if !slices.Equal(l.Refused.Before, l.Refused.Now) {
				t.Errorf("%s: refused %+v, now %+v", l.File, l.Refused.Before, l.Refused.Now)
			}
		}
	}
}

// Air reports whether a raw value is within a tenth of a millimetre of nominal, where no
// simulated gauge is in free air.
func (v *Visit) Air(raw analysis.Length) bool {
	return (raw + v.Offset - v.Options.Nominal).Abs() < analysis.Millimetre/10
}

type lines struct {
	visits  []scored
	refused []unscored
	gauges  []Tally
	all     Tally
}

// scoreOf scores paths and reads the lines; want is the error.
func scoreOf(t *testing.T, want error, paths ...string) (got lines) {
	t.Helper()
	var out bytes.Buffer
	if err := Score(t.Context(), paths, &out, ScoreOptions{Lines: true}); !errors.Is(err, want) {
		t.Fatalf("error %v, want %v", err, want)
	}
	for l := range bytes.Lines(out.Bytes()) {
		var kind struct {
			Kind string `json:"kind"`
		}
		var v scored
		var r unscored
		var y Tally
		into := func() any {
			switch kind.Kind {
			case "visit":
				return &v
			case "refused":
				return &r
			}
			return &y
		}
		if err := json.Unmarshal(l, &kind); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(l, into()); err != nil {
			t.Fatal(err)
		}
		switch kind.Kind {
		case "visit":
			got.visits = append(got.visits, v)
		case "refused":
			got.refused = append(got.refused, r)
		case "gauge":
			got.gauges = append(got.gauges, y)
		case "all":
			got.all = y
		}
	}
	return got
}

// What another version said shows: a reading that it did not have, one that it had, one that moved by less
// than U and one by more; each gauge has its own line.
func TestScoreTellsWhatDiffers(t *testing.T) {
	visits, _ := played(t, "J-4112")
	var read []*Visit
	for _, v := range visits {
		if len(v.Taken) == 1 && strings.HasPrefix(v.In, "job ") {
			read = append(read, v)
		}
	}
	read = read[:6]
	read[0].Taken = nil
	read[1].Taken = append(read[1].Taken, Reading{At: read[1].Taken[0].At + time.Second, Raw: read[1].Taken[0].Raw + 3*um, U: 1000, Passes: 3})
	read[2].Taken[0].Raw += um * 15 / 100
	read[2].Taken[0].U = analysis.Deviation(um / 10)
	read[3].Taken[0].Raw -= 5 * um
	read[4].Gauge = "G-other"
	read[4].Taken[0].Passes += 4
	read[4].Taken[0].At += 2 * time.Second
	dir := filepath.Join(t.TempDir(), "recordings")
	if err := os.MkdirAll(filepath.Join(dir, Folder), 0o700); err != nil {
		t.Fatal(err)
	}
	write := func(name string, text []byte) {
		if err := os.WriteFile(filepath.Join(dir, Folder, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for i, v := range read {
		write(fmt.Sprintf("%d.rec", i), v.Append(nil))
	}
	got := scoreOf(t, nil, dir)
	a := got.all
	if a.Visits != 6 || a.Before != 6 || a.Now != 6 || a.Same != 4 || a.Other != 1 || a.Newly != 1 || a.NoLonger != 1 || a.Changed != 2 {
		t.Errorf("scored %+v", a)
	}
	if g := got.gauges; len(g) != 2 || g[1].Gauge != "G-other" || g[1].PassesBefore != g[1].PassesNow+4 || math.Abs(g[1].TimeBefore-g[1].TimeNow-2) > 1e-9 || g[0].Visits != 5 {
		t.Errorf("gauges %+v", g)
	}
	var out bytes.Buffer
	if err := Score(t.Context(), []string{dir}, &out, ScoreOptions{}); err != nil {
		t.Fatal(err)
	}
	text := out.String()
	for _, want := range []string{"G-other", "Changed most", "now +5.00 µm", "now -0.15 µm", "none before; now at", "none now"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	if strings.Index(text, "+5.00") > strings.Index(text, "-0.15") {
		t.Errorf("the worst is not first:\n%s", text)
	}
}

// Files that are none of a visit are refused by name, with what is wrong; the rest is scored.
func TestScoreRefusesWhatIsNone(t *testing.T) {
	visits, _ := played(t, "J-4107")
	good := string(visits[len(visits)-1].Append(nil))
	dir := t.TempDir()
	line := func(prefix, instead string) string {
		i := strings.Index(good, "\n"+prefix)
		j := strings.IndexByte(good[i+1:], '\n')
		return good[:i+1] + instead + good[i+1+j:]
	}
	last := good[strings.LastIndex(strings.TrimSuffix(good, "\n"), "\n")+1:]
	for name, c := range map[string]struct{ text, why string }{
		"torn.rec":        {good[:len(good)-8], "torn"},
		"shorter.rec":     {strings.TrimSuffix(good, last), "its head says"},
		"line.rec":        {"# fairbore recording 1\ndriver: line\n\n! 0.0 \"opened\"\n< 1.0 \"+31.7 mm\\r\\n\"\n", "not of a visit"},
		"text.rec":        {"size_mm\n31.75\n", "not a recording"},
		"empty.rec":       {"", "not of a visit"},
		"future.rec":      {line("visit band:", "visit hum: 3"), "this version knows no such setting"},
		"escape.rec":      {line("visit gauge:", "visit gauge: \x1b[2J"), "can't be printed"},
		"endless.rec":     {line("visit gauge:", "visit gauge: "+strings.Repeat("x", 999)), "give up to 200"},
		"modeless.rec":    {line("visit mode:", ""), "mode: missing"},
		"nominal.rec":     {line("visit nominal:", "visit nominal: -3 mm"), "give a diameter"},
		"unit.rec":        {line("visit nominal:", "visit nominal: 31"), "no unit"},
		"outcome.rec":     {line("outcome:", "outcome: 1 reading 3 u 4"), "give seconds and"},
		"uncertain.rec":   {line("outcome:", "outcome: 1 reading 3 mm u -4 mm passes 3"), "negative"},
		"early.rec":       {line("outcome:", "outcome: -1 refused rock wider"), "since the first sample"},
		"backwards.rec":   {good + "< 0.000001 \"+31.75 mm\\r\\n\"\n", "before that of the one before"},
		"sent.rec":        {good + "> 9999.0 \"?\"\n", "samples and expectations only"},
		"wild.rec":        {good + "< 9999.0 \"thick\\r\\n\"\n", "sample"},
		"mark.rec":        {good + "! 9999.0 \"expect much\"\n", "give expect"},
		"otherwise.rec":   {line("driver:", "driver: scpi"), "for the driver line"},
		"undated.rec":     {line("date:", ""), "RFC 3339"},
		"many.rec":        {line("outcome:", strings.Repeat("outcome: 1 refused x\n", mostOutcomes)+"outcome: 1 refused x"), "outcomes"},
		"large.rec":       {good + strings.Repeat("#", mostBytes), "the whole line"},
		"\x1b[31mred.rec": {"", "not of a visit"},
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		got := scoreOf(t, ErrNotScored, filepath.Join(dir, name))
		if len(got.refused) != 1 || !strings.Contains(got.refused[0].Why, c.why) {
			t.Errorf("%s: refused %+v, want %q", name, got.refused, c.why)
		}
	}
	if err := syscall.Mkfifo(filepath.Join(dir, "fifo.rec"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "good.rec"), []byte(good), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(dir, "nowhere"), filepath.Join(dir, "gone.rec")); err != nil {
		t.Fatal(err)
	}
	got := scoreOf(t, ErrNotScored, dir)
	if len(got.visits) != 1 || filepath.Base(got.visits[0].File) != "good.rec" || got.all.Visits != 1 || len(got.refused) != 25 {
		t.Errorf("%d scored, %d refused: %+v", len(got.visits), len(got.refused), got.all)
	}
	var out bytes.Buffer
	err := Score(t.Context(), []string{dir}, &out, ScoreOptions{})
	if !errors.Is(err, ErrNotScored) || !strings.Contains(err.Error(), "25 of 26 files") || strings.ContainsRune(out.String()+err.Error(), '\x1b') || !strings.Contains(out.String(), "and 15 more") {
		t.Errorf("%v\n%s", err, out.String())
	}
	empty := t.TempDir()
	if err := Score(t.Context(), []string{empty}, &out, ScoreOptions{}); err == nil || !strings.Contains(err.Error(), "record: true") {
		t.Errorf("a folder with nothing in it: %v", err)
	}
}

// Readings are matched in their order so that they differ least: as a search through all ways finds.
func TestPairs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) []Reading {
			return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Reading {
				return Reading{Raw: analysis.Length(rapid.IntRange(0, 20).Draw(t, "raw")) * um}
			}), 0, 5).Draw(t, name)
		}
		before, now := draw("before"), draw("now")
		var least func(a, b []Reading, left int) float64
		least = func(a, b []Reading, left int) float64 { // left pairs are still to be made
			if left == 0 {
				return 0
			}
			if len(a) < left || len(b) < left {
				return math.Inf(1)
			}
			both := (a[0].Raw - b[0].Raw).Abs().Micrometres() + least(a[1:], b[1:], left-1)
			return min(both, least(a[1:], b, left), least(a, b[1:], left))
		}
		sum, n := 0.0, 0
		var b, w []Reading
		for _, p := range pairs(before, now) {
			if p.before != nil {
				b = append(b, *p.before)
			}
			if p.now != nil {
				w = append(w, *p.now)
			}
			if p.before != nil && p.now != nil {
				n++
				sum += p.moved().Abs().Micrometres()
			}
		}
		if !slices.Equal(b, before) || !slices.Equal(w, now) {
			t.Fatalf("%v and %v came out as %v and %v", before, now, b, w)
		}
		if few := min(len(before), len(now)); n != few || math.Abs(sum-least(before, now, few)) > 1e-9 {
			t.Fatalf("%d pairs that differ by %v, want %d by %v", n, sum, few, least(before, now, few))
		}
	})
}

// feed gives a follower samples of 10 a second from at on, and returns the time after them.
func feed(w *follower, c capture.Capture, o capture.Options, at time.Duration, sizes ...analysis.Length) time.Duration {
	for _, s := range sizes {
		rs := c.Feed(capture.Sample{At: at, Value: s})
		w.take(&session.CaptureStep{At: drivers.Moment{Wall: time.Unix(1_800_000_000, 0).UTC().Add(at), Mono: at}, Raw: s, Gauge: "G", In: "job J", Options: o, Air: c.Air(), Results: rs, Inside: c.Progress().In})
		at += 100 * time.Millisecond
	}
	return at
}

func times(n int, l analysis.Length) []analysis.Length { return slices.Repeat([]analysis.Length{l}, n) }

// A visit ends where it must: with two visits at once one after the other, when time runs backwards or the stream
// was silent, when the capture is another or begins again, and when it is too long.
func TestVisitsEnd(t *testing.T) {
	o := capture.Options{Mode: capture.Turning, Nominal: 30 * analysis.Millimetre}
	bore, air := o.Nominal, o.Nominal+2*analysis.Millimetre
	fresh := func() capture.Capture {
		c, err := capture.New(o)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	for _, tt := range []struct {
		name  string
		play  func(w *follower)
		sizes []int // samples of each visit
		cut   string
	}{
		{"air between", func(w *follower) {
			feed(w, fresh(), o, 0, slices.Concat(times(30, air), times(10, bore), times(30, air), times(5, bore), times(30, air))...)
		}, []int{10 + 10 + 2 + 10, 10 + 5 + 2 + 10}, ""},
		{"little air between", func(w *follower) {
			feed(w, fresh(), o, 0, slices.Concat(times(3, air), times(10, bore), times(4, air), times(5, bore), times(4, air))...)
		}, []int{3 + 10 + 4, 2 + 5 + 4}, ""},
		{"silence", func(w *follower) {
			c := fresh()
			at := feed(w, c, o, 0, times(10, bore)...)
			feed(w, c, o, at+5*time.Second, times(5, bore)...)
		}, []int{11, 5}, ""},
		{"time runs backwards", func(w *follower) {
			c := fresh()
			feed(w, c, o, time.Minute, times(10, bore)...)
			feed(w, c, o, 0, times(5, bore)...)
		}, []int{10, 5}, "backwards"},
		{"another ring", func(w *follower) {
			at := feed(w, fresh(), o, 0, times(10, bore)...)
			o2 := o
			o2.Nominal += um
			feed(w, fresh(), o2, at, times(5, bore)...)
		}, []int{10, 5}, "changed"},
		{"the capture begins again", func(w *follower) {
			at := feed(w, fresh(), o, 0, times(10, bore)...)
			feed(w, fresh(), o, at, times(5, bore)...)
		}, []int{10, 5}, "began again"},
		{"too long", func(w *follower) {
			feed(w, fresh(), o, 0, times(mostSamples+100, bore)...)
		}, []int{mostSamples}, "too long"},
	} {
		var got []*Visit
		w := &follower{station: "s", put: func(v *Visit) { got = append(got, v) }}
		tt.play(w)
		w.end("")
		var sizes []int
		for _, v := range got {
			sizes = append(sizes, len(v.Samples))
			if again, err := Parse(v.Append(nil)); err != nil || !reflect.DeepEqual(again, v) {
				t.Errorf("%s: %v: reads back as %+v, want %+v", tt.name, err, again, v)
			}
		}
		if !slices.Equal(sizes, tt.sizes) || !strings.Contains(got[0].Cut, tt.cut) || (tt.cut == "") != (got[0].Cut == "") {
			t.Errorf("%s: visits of %v samples, cut %q; want %v, %q", tt.name, sizes, got[0].Cut, tt.sizes, tt.cut)
		}
	}
}

// What the capture was told to expect goes with the samples, and is told again.
func TestExpectation(t *testing.T) {
	visits, _ := played(t, "J-4107")
	v := visits[len(visits)-1]
	for i := range v.Samples {
		if i >= 5 {
			v.Samples[i].Expected, v.Samples[i].ExpectedU = v.Taken[0].Raw+v.Offset+40*um, analysis.Deviation(um/2)
		}
	}
	again, err := Parse(v.Append(nil))
	if err != nil || !reflect.DeepEqual(again, v) {
		t.Fatalf("%v: %+v", err, again)
	}
	r, err := again.replay()
	if err != nil {
		t.Fatal(err)
	}
	// 80 standard deviations from what was expected it takes more passes, or isn't taken (capture.Capture).
	if len(r.taken) > 0 && r.taken[0].Passes <= v.Taken[0].Passes {
		t.Errorf("a surprising size was taken after %d passes, without an expectation after %d", r.taken[0].Passes, v.Taken[0].Passes)
	}
}

// The folder is bounded, the oldest go first, what others have in it stays, and a name makes no path.
func TestKeeperIsBounded(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "recordings", Folder)
	visits, _ := played(t, "J-4107")
	one := int64(len(visits[0].Append(nil)))
	const station = "../../bay\x00 2"
	run := func(n int, from time.Duration) *Keeper {
		k := NewKeeper(dir, station, 4*one, zerolog.Nop())
		for i := range n {
			v := *visits[0]
			v.Began = v.Began.Add(from + time.Duration(i)*time.Minute)
			k.write(&v)
		}
		return k
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	foreign := filepath.Join(dir, "notes.txt")
	stale := filepath.Join(dir, plain(station)+"-20260101T000000.000000Z.rec.part")
	for _, p := range []string{foreign, stale} {
		if err := os.WriteFile(p, make([]byte, 3*one), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	run(9, 0)
	k := run(3, time.Hour)
	if kept, dropped := k.Counts(); kept != 3 || dropped != 0 {
		t.Errorf("kept %d, dropped %d", kept, dropped)
	}
	names, err := filepath.Glob(filepath.Join(dir, "*.rec*"))
	if err != nil {
		t.Fatal(err)
	}
	for i, n := range names {
		names[i] = filepath.Base(n)
		if info, err := os.Stat(n); err != nil || info.Mode().Perm()&^0o640 != 0 {
			t.Errorf("%s: %v %v", n, info, err)
		}
	}
	at := func(d time.Duration) string {
		return plain(station) + "-" + visits[0].Began.Add(d).UTC().Format(stamp) + ".rec"
	}
	want := []string{at(8 * time.Minute), at(time.Hour), at(time.Hour + time.Minute), at(time.Hour + 2*time.Minute)}
	if !slices.Equal(names, want) {
		t.Errorf("the folder has %q, want %q", names, want)
	}
	if _, err := os.Stat(foreign); err != nil {
		t.Error(err)
	}
}

// A disk that takes nothing holds nobody up: what doesn't fit is dropped and counted, the fault is told once, and its end.
func TestKeeperNeverWaits(t *testing.T) {
	visits, _ := played(t, "J-4107")
	var log bytes.Buffer
	dir := filepath.Join(t.TempDir(), Folder)
	k := NewKeeper(dir, "bay", 1<<20, zerolog.New(&log))
	for range queued + 5 { // nobody writes
		k.put(visits[0])
	}
	if _, dropped := k.Counts(); dropped != 5 {
		t.Errorf("%d dropped, want 5", dropped)
	}
	if err := os.WriteFile(dir, nil, 0o600); err != nil { // no folder can be made here
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := k.Run(ctx); err != nil {
		t.Fatal(err)
	}
	if kept, dropped := k.Counts(); kept != 0 || dropped != queued+5 || strings.Count(log.String(), "not kept") != 1 {
		t.Errorf("kept %d, dropped %d, log %s", kept, dropped, log.String())
	}
	if err := os.Remove(dir); err != nil {
		t.Fatal(err)
	}
	k.put(visits[0])
	if err := k.Run(ctx); err != nil {
		t.Fatal(err)
	}
	if kept, _ := k.Counts(); kept != 1 || !strings.Contains(log.String(), "kept again") {
		t.Errorf("kept %d, log %s", kept, log.String())
	}
}

// Whatever a file says, it is refused or scored; what was read reads back the same.
func FuzzParse(f *testing.F) {
	visits, _ := played(f, "J-4107")
	for _, v := range visits[:3] {
		v.Samples = v.Samples[:min(60, len(v.Samples))]
		f.Add(v.Append(nil))
	}
	f.Add([]byte("# fairbore recording 1\ndriver: line\ndate: 2026-11-25T08:00:00Z\nvisit mode: settled\nvisit nominal: 31.75 mm\nvisit samples: 1\n" +
		"outcome: 1 reading 31.75 mm u 0.0001 mm passes 0\noutcome: 1 not counted no job\noutcome: 2 refused not steady\n\n! 0 \"expect 31.75 mm u 0.001 mm\"\n< 0.5 \"+31.75 mm\\r\\n\"\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		v, err := Parse(text)
		if err != nil {
			return
		}
		again, err := Parse(v.Append(nil))
		if err != nil {
			t.Fatalf("%v\n%s", err, v.Append(nil))
		}
		if !again.Began.Equal(v.Began) {
			t.Fatalf("began %s, want %s", again.Began, v.Began)
		}
		again.Began = v.Began
		if !reflect.DeepEqual(again, v) {
			t.Fatalf("reads back as\n%+v\nwant\n%+v", again, v)
		}
		r, err := v.replay()
		if err != nil {
			t.Fatal(err)
		}
		var y Tally
		y.add(v, &r, pairs(v.Taken, r.taken))
		y.finish()
	})
}

// A setting of the capture that is added later can't be forgotten in the file.
func TestEveryOptionIsKept(t *testing.T) {
	v := &Visit{Began: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), Samples: []Sample{{Raw: 30 * analysis.Millimetre}}}
	for o, i := reflect.ValueOf(&v.Options).Elem(), 0; i < o.NumField(); i++ {
		switch f := o.Field(i); f.Type() {
		case reflect.TypeFor[capture.Mode]():
			f.SetUint(uint64(capture.Turning))
		case reflect.TypeFor[bool]():
			f.SetBool(true)
		default:
			f.SetInt(int64(10_000 * (3 + i)))
		}
	}
	v.Options.Nominal, v.Options.Turns = 30*analysis.Millimetre, 4
	if again, err := Parse(v.Append(nil)); err != nil || !reflect.DeepEqual(again, v) {
		t.Errorf("%v: %+v\nwant %+v", err, again, v)
	}
}
