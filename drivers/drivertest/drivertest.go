// Package drivertest plays recordings against a driver, and checks what every driver must do.
//
// A driver has a folder with its name. Each case in the folder is a recording, CASE.rec (see
// drivers.Recording), and the outcomes that it must give, CASE.want, one line for each sample or
// reject. [Run] plays each case as it was recorded. Then it plays the case broken up and damaged,
// as a line may do it:
//
//   - whole, byte by byte, and cut in two at every byte: the same outcomes
//   - opened at every byte, within a frame: no sample that was not sent
//   - lost at every byte and opened again: the samples up to there, and then all samples again
//   - noise before and between frames: at most one frame lost for each burst of noise
//   - noise without end: no sample, and memory that does not grow
//   - requests to the gauge: equal to the recorded ones, byte for byte
//   - where every frame has a check, any bit turned and any byte lost or doubled: no sample that
//     was not sent
package drivertest

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"fairbore/drivers"
)

// Run checks a driver with the recordings in dir/NAME. A driver without recordings fails. With
// update, Run writes the .want files from the outcomes that the driver gives. It logs each change,
// so that somebody can read it.
func Run(t *testing.T, d drivers.Driver, dir string, update bool) {
	for _, c := range load(t, d, filepath.Join(dir, d.Name)) {
		t.Run(c.name, func(t *testing.T) {
			c.golden(t, update)
			for _, check := range []struct {
				name string
				run  func(*recorded, testing.TB)
			}{
				{"pieces", (*recorded).pieces}, {"opened within", (*recorded).openedWithin},
				{"lost", (*recorded).lost}, {"noise", (*recorded).noise},
				{"endless", (*recorded).endless},
			} {
				t.Run(check.name, func(t *testing.T) { check.run(c, t) })
			}
			if c.proof(t) {
				t.Run("damaged", func(t *testing.T) { c.damaged(t) })
			}
		})
	}
}

// recorded is one case of a driver.
type recorded struct {
	driver drivers.Driver
	name   string
	path   string // path of the recording, without .rec
	*drivers.Recording
	steps []step
	want  []string // the outcome of each frame
}

func load(t testing.TB, d drivers.Driver, dir string) (cases []*recorded) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.rec"))
	if err != nil || len(files) == 0 {
		t.Fatalf("driver %s has no recording in %s", d.Name, dir)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		rec, err := drivers.ParseRecording(text)
		if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		path := strings.TrimSuffix(file, ".rec")
		c := &recorded{driver: d, name: filepath.Base(path), path: path, Recording: rec}
		c.header(t)
		c.steps = steps(c.decoder(t), rec.Entries)
		c.want = c.play(t, play{steps: c.steps, strict: true})
		cases = append(cases, c)
	}
	wants, _ := filepath.Glob(filepath.Join(dir, "*.want"))
	for _, w := range wants {
		if !slices.Contains(files, strings.TrimSuffix(w, ".want")+".rec") {
			t.Errorf("%s has no recording beside it", w)
		}
	}
	return cases
}

// header fails the test if the recording has no complete header.
func (c *recorded) header(t testing.TB) {
	t.Helper()
	if c.Driver != c.driver.Name {
		t.Fatalf("%s.rec: driver %q in the folder of %s", c.path, c.Driver, c.driver.Name)
	}
	for name, value := range map[string]string{
		"interface": c.Interface, "settings": c.Settings, "made": c.Made, "display": c.Display, "date": c.Date,
	} {
		if value == "" {
			t.Errorf("%s.rec: no header %q", c.path, name)
		}
	}
}

func (c *recorded) decoder(t testing.TB) *watched {
	t.Helper()
	d, err := c.driver.Decoder(c.Options)
	if err != nil {
		t.Fatalf("%s.rec: %v", c.path, err)
	}
	return &watched{Decoder: d, t: t}
}

// golden compares the outcomes with the .want file, or writes the file.
func (c *recorded) golden(t testing.TB, update bool) {
	got := strings.Join(c.want, "\n") + "\n"
	file := c.path + ".want"
	old, err := os.ReadFile(file)
	if err == nil && string(old) == got {
		return
	}
	if !update {
		t.Fatalf("%s.rec gave\n%s\nwant %s:\n%s(%v)", c.path, got, file, old, err)
	}
	t.Logf("%s was\n%s\nand is now\n%s", file, old, got)
	if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
		t.Fatal(err)
	}
}

// pieces checks that the outcomes do not depend on how the bytes are broken up.
func (c *recorded) pieces(t testing.TB) {
	same(t, "whole", c.play(t, play{steps: join(c.steps), strict: true}), c.want)
	same(t, "byte by byte", c.play(t, play{steps: c.steps, strict: true, cut: bytewise}), c.want)
	for k := range c.bytes() {
		same(t, fmt.Sprintf("cut at byte %d", k), c.play(t, play{steps: cutAt(join(c.steps), k), strict: true}), c.want)
	}
}

// openedWithin checks a line that is opened while a frame is under way.
func (c *recorded) openedWithin(t testing.TB) {
	if _, asks := c.decoder(t).Decoder.(drivers.Requester); asks {
		first := c.all()
		for k := range first {
			late := append([]step{{in: first[k:]}}, c.steps...)
			same(t, fmt.Sprintf("%d stale bytes before the first request", len(first)-k), onlySamples(c.play(t, play{steps: late, strict: true})), onlySamples(c.want))
		}
		return
	}
	want := onlySamples(c.want)
	for k := range c.bytes() {
		got := onlySamples(c.play(t, play{steps: after(c.steps, k)}))
		if len(got) > len(want) || !slices.Equal(got, want[len(want)-len(got):]) {
			t.Fatalf("opened at byte %d: samples %q are no end of %q", k, got, want)
		}
	}
}

// lost checks a line that is lost at every byte. After the loss the whole recording is played
// again.
func (c *recorded) lost(t testing.TB) {
	want := onlySamples(c.want)
	for k := range c.bytes() {
		before := cutShort(c.steps, k)
		n := len(onlySamples(c.play(t, play{steps: before})))
		got := onlySamples(c.play(t, play{steps: slices.Concat(before, []step{{reset: true}}, c.steps)}))
		if n > len(want) || !slices.Equal(got, slices.Concat(want[:n], want)) {
			t.Fatalf("lost at byte %d: samples %q, want %d of %q and then all", k, got, n, want)
		}
	}
}

// noise checks the kinds of noise that a line makes: breaks, a floating line, a wrong speed, and
// the message of a gauge that starts.
func (c *recorded) noise(t testing.TB) {
	lineEnd := []byte("\r\n")
	rnd := rand.New(rand.NewPCG(1, 2))
	wild := make([]byte, 40)
	for i := range wild {
		wild[i] = 0x80 | byte(rnd.Uint32())
	}
	want := onlySamples(c.want)
	for name, noise := range map[string][]byte{
		"breaks": {0, 0, 0}, "floating": {0xff, 0xff}, "wrong speed": wild, "message": []byte("\x1b[2J~ready~"),
		"message with an end": append([]byte("~ready~"), lineEnd...),
	} {
		bursts := 0
		var all []step
		for i, s := range c.steps {
			if s.in == nil || (bytes.HasSuffix(noise, lineEnd) && !begins(c.steps[:i])) {
				all = append(all, s)
				continue
			}
			bursts++
			one := slices.Concat(c.steps[:i:i], []step{{in: noise}}, c.steps[i:])
			c.resynchronises(t, fmt.Sprintf("%s before piece %d", name, i), one, want, 1)
			all = append(all, step{in: noise}, s)
		}
		c.resynchronises(t, name+" everywhere", all, want, bursts)
	}
}

// begins reports whether a frame begins after the steps. A whole message can come there, but not
// within a frame.
func begins(before []step) bool {
	if len(before) == 0 {
		return false
	}
	last := before[len(before)-1]
	return last.idle > 0 || bytes.HasSuffix(last.in, []byte("\n"))
}

// resynchronises checks that each burst of noise costs at most one frame, and that noise gives no
// sample.
func (c *recorded) resynchronises(t testing.TB, what string, steps []step, want []string, bursts int) {
	t.Helper()
	got := onlySamples(c.play(t, play{steps: steps}))
	if !isSubsequence(got, want) {
		t.Fatalf("%s: samples %q, of which not all were sent", what, got)
	}
	if lost := len(want) - len(got); lost > bursts {
		t.Fatalf("%s: %d frames lost: samples %q of %q", what, lost, got, want)
	}
}

// endless checks endless noise, and the beginning of a frame repeated without end.
func (c *recorded) endless(t testing.TB) {
	rnd := rand.New(rand.NewPCG(3, 4))
	beginning := c.all()
	beginning = beginning[:min(len(beginning), 5)]
	for name, next := range map[string]func([]byte){
		"noise": func(b []byte) {
			for i := range b {
				b[i] = 0x80 | byte(rnd.Uint32())
			}
		},
		"a beginning": func(b []byte) {
			for i := range b {
				b[i] = beginning[i%max(1, len(beginning))]
			}
		},
	} {
		w := c.decoder(t)
		s := drivers.Stream{Decoder: w}
		samples := 0
		each := func(f drivers.Found) { samples += len(f.Samples) }
		piece := make([]byte, 1000)
		feed := func(n int) {
			for range n {
				next(piece)
				s.Feed(piece, false, each)
			}
		}
		if len(beginning) == 0 && name != "noise" {
			continue
		}
		feed(10)
		before := heap()
		feed(200)
		if grown := int64(heap()) - int64(before); grown > 256<<10 {
			t.Errorf("%s: memory grew by %d bytes over 200 kB", name, grown)
		}
		if name == "noise" && samples > 0 {
			t.Errorf("%s: %d samples", name, samples)
		}
		if w.longest > 2*drivers.MaxFrame {
			t.Errorf("%s: %d bytes kept", name, w.longest)
		}
	}
}

func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// proof reports whether damage must be noticed. This is so if the format has a check and the
// recording is not damaged already, because a check need not find two faults.
func (c *recorded) proof(t testing.TB) bool {
	k, ok := c.decoder(t).Decoder.(drivers.Checker)
	return ok && k.Checked() && !slices.Contains(c.want, reject+string(drivers.CheckFailed))
}

// damaged checks that no damage gives a sample that was not sent, if every frame has a check.
func (c *recorded) damaged(t testing.TB) {
	want := onlySamples(c.want)
	try := func(what string, change func([]byte) []byte, k int) {
		if got := onlySamples(c.play(t, play{steps: changed(c.steps, k, change)})); !isSubsequence(got, want) {
			t.Fatalf("%s at byte %d: samples %q, of which not all were sent", what, k, got)
		}
	}
	for k := range c.bytes() {
		for bit := range 8 {
			try(fmt.Sprintf("bit %d turned", bit), func(b []byte) []byte { return []byte{b[0] ^ 1<<bit} }, k)
		}
		for v := 1; v < 256; v += 6 {
			try("byte changed", func(b []byte) []byte { return []byte{b[0] + byte(v)} }, k)
		}
		try("byte lost", func([]byte) []byte { return nil }, k)
		try("byte doubled", func(b []byte) []byte { return []byte{b[0], b[0]} }, k)
	}
}

func same(t testing.TB, what string, got, want []string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Fatalf("%s: got\n%s\nwant\n%s", what, strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func bytewise(in []byte) [][]byte { return slices.Collect(slices.Chunk(in, 1)) }

// all returns all bytes that came from the gauge.
func (c *recorded) all() (all []byte) {
	for _, s := range c.steps {
		all = append(all, s.in...)
	}
	return all
}

func (c *recorded) bytes() int { return len(c.all()) }

func onlySamples(frames []string) (some []string) {
	for _, f := range frames {
		if !strings.HasPrefix(f, reject) {
			some = append(some, f)
		}
	}
	return some
}

func isSubsequence(part, whole []string) bool {
	for _, p := range part {
		i := slices.Index(whole, p)
		if i < 0 {
			return false
		}
		whole = whole[i+1:]
	}
	return true
}

// Fuzz feeds arbitrary bytes to the driver, with the options of its recordings. The recordings are
// the seeds. No input may break the contract of drivers.Decoder, and the samples must not depend on
// how the bytes are broken up.
func Fuzz(f *testing.F, d drivers.Driver, dir string) {
	cases := load(f, d, filepath.Join(dir, d.Name))
	for i, c := range cases {
		f.Add(uint8(i), c.all())
	}
	f.Fuzz(func(t *testing.T, which uint8, data []byte) {
		c := cases[int(which)%len(cases)]
		begin := step{idle: 1}
		if i := slices.IndexFunc(c.steps, func(s step) bool { return len(s.out) > 0 }); i >= 0 {
			begin = c.steps[i]
		}
		steps := []step{begin, {in: data}, {idle: 1}}
		whole := onlySamples(c.play(t, play{steps: steps}))
		same(t, fmt.Sprintf("%q byte by byte", data), onlySamples(c.play(t, play{steps: steps, cut: bytewise})), whole)
	})
}
