package port

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"fairbore/drivers"

	"github.com/rs/zerolog"
	"go.bug.st/serial"
)

var line9600 = drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}

// running is a port under test with all that it told.
type running struct {
	*Port
	t      *testing.T
	cancel context.CancelFunc
	done   chan error
	mu     sync.Mutex
	told   []Chunk
	log    *safeBuffer
}

type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safeBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// run runs a port on a real device, which is back sooner than a user could plug it in.
func run(t *testing.T, c Config) *running {
	t.Helper()
	return runOpen(t, c, nil, func(p *Port) { p.wait = 10 * time.Millisecond })
}

func runOpen(t *testing.T, c Config, open func(context.Context) (link, error), tune ...func(*Port)) *running {
	t.Helper()
	if c.Name == "" {
		c.Name = "bench"
	}
	r := &running{t: t, done: make(chan error, 1), log: &safeBuffer{}}
	r.Port = New(c, zerolog.New(r.log))
	if open != nil {
		r.Port.open = open
	}
	for _, f := range tune {
		f(r.Port)
	}
	ctx, cancel := context.WithCancel(t.Context())
	r.cancel = cancel
	go func() { r.done <- r.Run(ctx, r.take) }()
	t.Cleanup(func() { r.stop() })
	return r
}

func (r *running) take(c Chunk) {
	c.Data = bytes.Clone(c.Data)
	r.mu.Lock()
	r.told = append(r.told, c)
	r.mu.Unlock()
}

// stop ends Run and returns its error.
func (r *running) stop() error {
	r.cancel()
	select {
	case err := <-r.done:
		r.done <- err
		return err
	case <-time.After(20 * time.Second):
		r.t.Error("Run did not return within 5 s of the end of its context")
		return nil
	}
}

func (r *running) chunks() []Chunk {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]Chunk(nil), r.told...)
}

func (r *running) bytes() string { return bytesOf(r.chunks()) }

func bytesOf(chunks []Chunk) string {
	var b []byte
	for _, c := range chunks {
		if c.Kind == Data {
			b = append(b, c.Data...)
		}
	}
	return string(b)
}

func (r *running) number(k Kind) int {
	n := 0
	for _, c := range r.chunks() {
		if c.Kind == k {
			n++
		}
	}
	return n
}

// until waits for a condition.
func (r *running) until(what string, ok func() bool) {
	r.t.Helper()
	within(r.t, 10*time.Second, what+"\n"+r.log.String(), ok)
}

func within(t *testing.T, limit time.Duration, what string, ok func() bool) time.Duration {
	t.Helper()
	began := time.Now()
	for !ok() {
		if time.Since(began) > limit {
			t.Fatalf("after %v still waiting: %s", limit, what)
		}
		time.Sleep(2 * time.Millisecond)
	}
	return time.Since(began)
}

// sequence writes the kinds of chunks, with a run of data as one.
func sequence(chunks []Chunk) string {
	var s []string
	for _, c := range chunks {
		k := c.Kind.String()
		if len(s) == 0 || s[len(s)-1] != k || c.Kind != Data {
			s = append(s, k)
		}
	}
	return strings.Join(s, ", ")
}

// fakeLink is a line that does as a test says.
type fakeLink struct {
	in      chan []byte // closed: the line hangs up
	stuck   chan struct{}
	wrote   chan []byte
	closed  chan struct{}
	state   func() (ModemLines, error)
	checked func() error
}

func newFake() *fakeLink {
	return &fakeLink{in: make(chan []byte, 64), wrote: make(chan []byte, 64), closed: make(chan struct{}),
		state: func() (ModemLines, error) { return ModemLines{}, errNoLines }, checked: func() error { return nil }}
}

func (f *fakeLink) read(wait time.Duration, got func([]byte, bool)) error {
	t := time.NewTimer(wait)
	defer t.Stop()
	select {
	case b, ok := <-f.in:
		if !ok {
			return io.ErrUnexpectedEOF
		}
		got(b, b == nil)
	case <-t.C:
	}
	return nil
}

func (f *fakeLink) write(b []byte) error {
	if f.stuck != nil {
		<-f.stuck
	}
	select {
	case <-f.closed:
		panic("written through a closed link")
	default:
	}
	f.wrote <- bytes.Clone(b)
	return nil
}

func (f *fakeLink) close() error               { close(f.closed); return nil }
func (f *fakeLink) String() string             { return "a fake line" }
func (f *fakeLink) lines() (ModemLines, error) { return f.state() }
func (f *fakeLink) check() error               { return f.checked() }

// give returns an opener that gives the links one after another, then fails.
func give(links ...*fakeLink) (open func(context.Context) (link, error), times *[]time.Time) {
	times = &[]time.Time{}
	return func(context.Context) (link, error) {
		*times = append(*times, time.Now())
		if len(links) == 0 {
			return nil, errors.New("no such device")
		}
		l := links[0]
		links = links[1:]
		return l, nil
	}, times
}

func fakeConfig() Config { return Config{Device: "/dev/fake", Line: line9600} }

func TestPort_TellsSilenceThreeTimesAfterOpeningAndAfterBytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake()
		open, _ := give(f)
		c := fakeConfig()
		c.Silence = 4 * time.Millisecond
		r := runOpen(t, c, open)
		synctest.Wait()
		time.Sleep(time.Second) // an idle line tells nothing more
		f.in <- []byte("12.70")
		time.Sleep(3 * time.Millisecond)
		f.in <- []byte("03")
		time.Sleep(time.Second)
		r.stop()
		got := r.chunks()
		if s := sequence(got); s != "up, idle, idle, idle, data, idle, idle, idle" {
			t.Fatalf("told %s", s)
		}
		for i := 6; i < len(got); i++ {
			if gap := got[i].At.Mono - got[i-1].At.Mono; gap != c.Silence {
				t.Errorf("silence told after %v, want %v", gap, c.Silence)
			}
		}
	})
}

func TestPort_LooksForALostLineMoreAndMoreSeldom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		open, times := give()
		r := runOpen(t, fakeConfig(), open)
		time.Sleep(time.Minute)
		synctest.Wait()
		if n := len(*times); n < 14 || n > 20 {
			t.Errorf("%d attempts in a minute, want about 0.25+0.5+1+2+4 s and then each 5 s", n)
		}
		for i := 1; i < len(*times); i++ {
			gap, most := (*times)[i].Sub((*times)[i-1]), min(retryFirst<<(i-1), retryMost)
			if i > 10 {
				most = retryMost
			}
			if gap > most || gap < most*4/5 {
				t.Errorf("attempt %d after %v, want %v less a jitter of a fifth", i, gap, most)
			}
		}
		if n := r.number(Lost); n != 1 {
			t.Errorf("told lost %d times, want once", n)
		}
		if n := strings.Count(r.log.String(), "line lost"); n != 1 {
			t.Errorf("logged %d times, want once:\n%s", n, r.log)
		}
		if err := r.stop(); err != nil {
			t.Error(err)
		}
	})
}

func TestPort_ComesBackAtOnceAfterALineThatWorked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := newFake(), newFake()
		open, times := give(a, b)
		r := runOpen(t, fakeConfig(), open)
		synctest.Wait()
		a.in <- []byte("+12.7003 mm\r\n+12.")
		close(a.in)
		time.Sleep(time.Second)
		b.in <- []byte("7004 mm\r\n")
		synctest.Wait()
		if gap := (*times)[1].Sub((*times)[0]); gap > retryFirst {
			t.Errorf("opened again after %v, want at most %v", gap, retryFirst)
		}
		if s := sequence(r.chunks()); s != "up, data, lost, up, data" {
			t.Errorf("told %s", s)
		}
		if log := r.log.String(); strings.Count(log, "line lost") != 1 || strings.Count(log, "line open") != 2 || !strings.Contains(log, `"down":`) {
			t.Errorf("want a loss logged when it starts and when it ends:\n%s", log)
		}
		s := r.Status()
		if !s.Up || s.Counters.Opens != 2 || s.Counters.Losses != 1 || s.Counters.Bytes != 26 {
			t.Errorf("status %+v", s)
		}
		r.stop()
	})
}

func TestPort_StuckWriteFailsThePortAndIsNeverClosedUnder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := newFake(), newFake()
		a.stuck = make(chan struct{})
		open, times := give(a, b)
		r := runOpen(t, fakeConfig(), open)
		synctest.Wait()
		began := time.Now()
		if err := r.Write(t.Context(), []byte("?\r")); !errors.Is(err, ErrDown) {
			t.Errorf("got %v, want %v", err, ErrDown)
		}
		if d := time.Since(began); d < writeLimit || d > 2*writeLimit {
			t.Errorf("the writer was told after %v", d)
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		select {
		case <-a.closed:
			t.Fatal("closed under the write")
		default:
		}
		if len(*times) != 1 || !r.Status().Counters.Blocked || r.Status().Up {
			t.Errorf("%d openings, status %+v; want none while the write is stuck", len(*times), r.Status())
		}
		close(a.stuck) // as an unplugged adapter brings it back
		time.Sleep(time.Second)
		synctest.Wait()
		if s := sequence(r.chunks()); s != "up, lost, up" {
			t.Errorf("told %s", s)
		}
		if err := r.Write(t.Context(), []byte("?\r")); err != nil {
			t.Error(err)
		}
		if got := string(<-b.wrote); got != "?\r" {
			t.Errorf("wrote %q", got)
		}
		r.stop()
	})
}

func TestPort_StopsWithAWriteStuck(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newFake()
		a.stuck = make(chan struct{})
		open, _ := give(a)
		r := runOpen(t, fakeConfig(), open)
		synctest.Wait()
		go r.Write(t.Context(), []byte("?\r"))
		synctest.Wait()
		began := time.Now()
		if err := r.stop(); err != nil {
			t.Error(err)
		}
		if d := time.Since(began); d > 2*time.Second {
			t.Errorf("stopped after %v", d)
		}
		if !strings.Contains(r.log.String(), "stuck") {
			t.Errorf("not logged:\n%s", r.log)
		}
		close(a.stuck)
	})
}

func TestPort_WriteWhileDownIsRefusedAndNotKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		open, _ := give()
		r := runOpen(t, fakeConfig(), open)
		synctest.Wait()
		if err := r.Write(t.Context(), []byte("?\r")); !errors.Is(err, ErrDown) {
			t.Errorf("got %v, want %v", err, ErrDown)
		}
		if err := r.Write(t.Context(), make([]byte, maxWrite+1)); err == nil || errors.Is(err, ErrDown) {
			t.Errorf("a command of %d bytes: %v", maxWrite+1, err)
		}
		r.stop()
	})
}

func TestPort_FootSwitchIsDebounced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		f := newFake()
		f.state = func() (ModemLines, error) {
			at := time.Since(began) / time.Millisecond
			bounce := at >= 1000 && at < 1020 && at%20 < 10
			return ModemLines{CTS: bounce || at >= 1020 && at < 1200}, nil
		}
		open, _ := give(f)
		c := fakeConfig()
		c.Modem = true
		r := runOpen(t, c, open)
		time.Sleep(2 * time.Second)
		r.stop()
		var got []string
		for _, c := range r.chunks() {
			if c.Kind == LineState {
				got = append(got, c.Lines.String())
				if at := c.At.Mono; c.Lines.CTS && (at < 1020*time.Millisecond || at > 1070*time.Millisecond) {
					t.Errorf("pressed at 1 s, told at %v", at)
				}
			}
		}
		if s := fmt.Sprint(got); s != "[none CTS none]" {
			t.Errorf("told %s", s)
		}
	})
}

// Who tries the contacts sees them in the status; nobody else is told, and it ends with the trial.
func TestPort_WatchShowsContactsInTheStatusAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake()
		var looks atomic.Int32
		var on atomic.Bool
		f.state = func() (ModemLines, error) { looks.Add(1); return ModemLines{CTS: on.Load()}, nil }
		open, _ := give(f)
		r := runOpen(t, fakeConfig(), open)
		defer r.stop()
		time.Sleep(time.Second)
		if s := r.Status(); looks.Load() > 0 || s.HasLines {
			t.Fatalf("looked %d times without anybody who watches", looks.Load())
		}
		stop := r.Watch()
		time.Sleep(time.Second)
		if s := r.Status(); !s.HasLines || s.Lines.CTS {
			t.Fatalf("status %+v", s)
		}
		on.Store(true)
		time.Sleep(200 * time.Millisecond)
		if s := r.Status(); !s.Lines.CTS {
			t.Errorf("pressed: %+v", s.Lines)
		}
		stop()
		stop()
		time.Sleep(200 * time.Millisecond)
		before := looks.Load()
		time.Sleep(time.Second)
		if looks.Load() != before {
			t.Error("it is looked at after the end")
		}
		if got := sequence(r.chunks()); got != "up" {
			t.Errorf("told %s", got)
		}
	})
}

func TestPort_LineWithoutModemLinesIsAskedOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		asked := 0
		f := newFake()
		f.state = func() (ModemLines, error) { asked++; return ModemLines{}, errNoLines }
		open, _ := give(f)
		c := fakeConfig()
		c.Modem = true
		r := runOpen(t, c, open)
		time.Sleep(time.Second)
		f.in <- []byte("x")
		time.Sleep(time.Second)
		r.stop()
		if asked != 1 || sequence(r.chunks()) != "up, data" {
			t.Errorf("asked %d times, told %s", asked, sequence(r.chunks()))
		}
	})
}

func TestPort_RunTwiceIsRefusedAndStopIsClean(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // fails if a goroutine is left
		f := newFake()
		open, _ := give(f)
		r := runOpen(t, fakeConfig(), open)
		synctest.Wait()
		if err := r.Run(t.Context(), func(Chunk) {}); err == nil {
			t.Error("a second Run went through")
		}
		if err := r.stop(); err != nil {
			t.Error(err)
		}
		<-f.closed
		if err := r.Write(t.Context(), []byte("?")); !errors.Is(err, ErrDown) {
			t.Errorf("write after the stop: %v", err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := r.Run(ctx, func(Chunk) {}); err != nil {
			t.Errorf("Run with an ended context: %v", err)
		}
	})
}

func TestConfig_CheckTellsAllFaults(t *testing.T) {
	for _, c := range []struct {
		name   string
		config Config
		want   []string // the beginning of each fault
	}{
		{"good serial", Config{Name: "a", Device: "/dev/ttyUSB0", Line: line9600}, nil},
		{"good tcp needs no line", Config{Name: "a", Device: "tcp://[::1]:4001"}, nil},
		{"good recording", Config{Name: "a", Device: "recording:/x.rec", Speed: 2}, nil},
		{"empty", Config{}, []string{"name:", "device: missing", "baud: 0", "data: 0", `parity: ""`, "stop: 0"}},
		{"line", Config{Name: "a", Device: "COM3", Line: drivers.Serial{Baud: 19201, Data: 9, Parity: "E", Stop: 3}},
			[]string{"baud: 19201 is not valid: give the gauge's rate, such as 9600; the nearest in use is 19200", "data: 9", `parity: "E"`, "stop: 3"}},
		{"negative rate", Config{Name: "a", Device: "COM3", Line: drivers.Serial{Baud: -5, Data: 7, Parity: "even", Stop: 1}}, []string{"baud: -5"}},
		{"scheme", Config{Name: "a", Device: "udp://x:1", Line: line9600}, []string{`device: "udp://x:1"`}},
		{"address", Config{Name: "a", Device: "tcp://:99999"}, []string{"device: \":99999\": the host", "device: \":99999\" is not valid: give a port"}},
		{"no port", Config{Name: "a", Device: "rfc2217://host", Line: line9600}, []string{`device: "host"`}},
		{"no recording", Config{Name: "a", Device: "recording:"}, []string{"device:"}},
		{"numbers", Config{Name: "a", Device: "recording:x", Silence: -1, Debounce: time.Minute, Stale: 1, Speed: -1, RecordMax: 5},
			[]string{"silence:", "debounce:", "stale:", "speed:", "record_max:"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := c.config.Check()
			if len(got) != len(c.want) {
				t.Fatalf("got %q, want %q", got, c.want)
			}
			for i, w := range c.want {
				if !strings.HasPrefix(got[i].Error(), w) {
					t.Errorf("got %q, want %q", got[i], w)
				}
			}
		})
	}
	if err := New(Config{}, zerolog.Nop()).Run(t.Context(), nil); err == nil || !strings.Contains(err.Error(), "baud") {
		t.Errorf("Run of an empty configuration: %v", err)
	}
}

func TestMarks_TakesDamagedBytesOut(t *testing.T) {
	in := []byte("+12.7\xFF\x00\x41003\xFF\xFFmm\r\n\xFF\x00\x00+")
	for cut := range len(in) {
		var m marks
		var got []byte
		take := func(b []byte, damaged bool) {
			if damaged {
				b = []byte("!")
			}
			got = append(got, b...)
		}
		m.feed(in[:cut], take)
		m.feed(in[cut:], take)
		if want := "+12.7!003\xFFmm\r\n!+"; string(got) != want {
			t.Fatalf("cut at %d: got %q, want %q", cut, got, want)
		}
	}
}

// Whatever a terminal with PARMRK sends, and wherever the reads cut it, the good bytes
// and the damage come out the same, and good bytes come back as they were marked.
func FuzzMarks(f *testing.F) {
	f.Add([]byte("+12.7003\xff\xff\xff\x00A\xff\x00\x00"), uint8(1))
	f.Fuzz(func(t *testing.T, b []byte, cut uint8) {
		feed := func(b []byte, n int) (good []byte, damage int) {
			var m marks
			for piece := range slices.Chunk(b, n) {
				m.feed(piece, func(data []byte, damaged bool) {
					good = append(good, data...)
					if damaged {
						good, damage = append(good, "(damage)"...), damage+1
					}
				})
			}
			return good, damage
		}
		whole, _ := feed(b, max(len(b), 1))
		if parts, _ := feed(b, max(int(cut), 1)); !bytes.Equal(whole, parts) {
			t.Errorf("whole %q, cut %q", whole, parts)
		}
		marked := bytes.ReplaceAll(b, []byte{markByte}, []byte{markByte, markByte})
		if back, damage := feed(marked, max(int(cut), 1)); damage > 0 || !bytes.Equal(back, b) {
			t.Errorf("%q came back as %q", b, back)
		}
	})
}

func TestLines_String(t *testing.T) {
	for _, l := range []ModemLines{{}, {CTS: true}, {CTS: true, DSR: true, DCD: true, RI: true}, {RI: true}} {
		if back, err := parseLines(l.String()); err != nil || back != l {
			t.Errorf("%v: came back as %v, %v", l, back, err)
		}
	}
	if _, err := parseLines("CTS XYZ"); err == nil {
		t.Error("XYZ is no modem line")
	}
}

func TestPort_LineThatOpensAndDiesIsNotTriedWithoutPause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := 0
		r := runOpen(t, fakeConfig(), func(context.Context) (link, error) {
			n++
			f := newFake()
			close(f.in)
			return f, nil
		})
		time.Sleep(time.Minute)
		r.stop()
		if n > 20 {
			t.Errorf("opened %d times in a minute", n)
		}
	})
}

func TestPort_StuckWriteThatReturnsAfterTheStopDoesNoHarm(t *testing.T) {
	c := fakeConfig()
	c.RecordDir = t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		a := newFake()
		a.stuck = make(chan struct{})
		open, _ := give(a)
		r := runOpen(t, c, open)
		synctest.Wait()
		go r.Write(t.Context(), []byte("?\r"))
		time.Sleep(time.Minute)
		if !r.Status().Counters.Blocked {
			t.Fatal("the write is not stuck")
		}
		if err := r.stop(); err != nil {
			t.Error(err)
		}
		close(a.stuck)
		if got := string(<-a.wrote); got != "?\r" {
			t.Errorf("wrote %q", got)
		}
		synctest.Wait()
		if n := r.Status().Counters.Written; n != 2 {
			t.Errorf("%d bytes are counted as written, want 2", n)
		}
	})
}

// panicking is a library port whose read panics, as the library's does on a
// descriptor of 1024 or more.
type panicking struct{ serial.Port }

func (panicking) Read([]byte) (int, error)           { panic("index out of range [16]") }
func (panicking) SetReadTimeout(time.Duration) error { return nil }

func TestSerialPort_PanicOfTheLibraryIsAnError(t *testing.T) {
	p := &serialPort{Port: panicking{}}
	if err := p.read(time.Millisecond, nil); err == nil || reason(err).Code != "port.too_many_files" {
		t.Errorf("got %v", err)
	}
}

func ExamplePort() {
	p := New(Config{Name: "bench", Device: "recording:../../testdata/port/replay/by-hand.rec"}, zerolog.Nop())
	err := p.Run(context.Background(), func(c Chunk) {
		fmt.Printf("%v %v %q\n", c.At.Mono, c.Kind, c.Data)
	})
	fmt.Println(err)
	// Output:
	// 0s up ""
	// 400ms data "+12.70"
	// 420ms data "03 mm\r\n"
	// 900ms data "+12."
	// 910ms lost ""
	// 1.5s up ""
	// 1.6s data "+12.7004 mm\r\n"
	// 1.6s end ""
	// <nil>
}
