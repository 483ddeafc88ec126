package listen

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/rs/zerolog"
	"golang.org/x/term"

	"fairbore/drivers"
)

// bench is a listener on a pseudo-terminal whose far end is the test.
type bench struct {
	*Listener
	t     *testing.T
	far   *os.File
	ended chan error
}

func listening(t *testing.T, set Settings) *bench {
	t.Helper()
	m, s, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	if _, err := term.MakeRaw(int(s.Fd())); err != nil {
		t.Fatal(err)
	}
	set.Patient, set.Log = true, zerolog.Nop()
	if set.Device == "" {
		set.Device = s.Name()
	} else if err := os.Symlink(s.Name(), set.Device); err != nil {
		t.Fatal(err)
	}
	b := &bench{Listener: NewListener(set), t: t, far: m, ended: make(chan error, 1)}
	ctx, cancel := context.WithCancel(t.Context())
	go func() { b.ended <- b.Listen(ctx) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-b.ended:
			if err != nil {
				t.Errorf("listening ended with %v", err)
			}
		case <-time.After(20 * time.Second):
			t.Error("listening doesn't end")
		}
		m.Close()
		s.Close()
	})
	return b
}

// until waits until the state is as wanted.
func (b *bench) until(what string, ok func(s State) bool) State {
	b.t.Helper()
	for end := time.Now().Add(60 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		s := b.State()
		if ok(s) {
			return s
		}
		if time.Now().After(end) {
			b.t.Fatalf("waited for %s: %s, up %v (%v), found %v, %v", what, s.Line, s.Up, s.Lost, s.Found, s.Newest)
		}
	}
}

// press sends a frame as a person would who has seen that the port is open. What comes at once after
// the opening may be the end of a frame, and counts for nothing.
func (b *bench) press(data []byte) {
	b.t.Helper()
	b.until("the open port", func(s State) bool { return s.Up })
	time.Sleep(400 * time.Millisecond)
	if _, err := b.far.Write(data); err != nil {
		b.t.Fatal(err)
	}
}

// A person presses the button as slowly as he likes: once something can be read, the setting is kept.
func TestListen_WaitsForSlowPresses(t *testing.T) {
	t.Parallel()
	const patience = 2 * time.Second
	b := listening(t, Settings{For: patience})
	b.press([]byte("+12.7003\r\n"))
	first := b.until("the first press", func(s State) bool { return s.Best != nil })
	for i, text := range []string{"+12.7104\r\n", "-00.0044\r\n", "+12.6999\r\n"} {
		time.Sleep(3 * patience / 2) // longer than a setting without a gauge is kept
		b.press([]byte(text))
		s := b.until("the next press", func(s State) bool { return s.Best != nil && s.Best.Agreed == i+2 })
		if s.Line != first.Line {
			t.Fatalf("left %s for %s between two presses", first.Line, s.Line)
		}
	}
	if s := b.State(); !s.Found {
		t.Error("four frames are not enough")
	}
}

// What comes at a wrong speed can't be read; the next is tried at once, and the gauge is found by a few
// presses, however long each takes.
func TestListen_LeavesAWrongSpeed(t *testing.T) {
	t.Parallel()
	for _, line := range []drivers.Serial{{Baud: 4800, Data: 8, Parity: "none", Stop: 1}, {Baud: 2400, Data: 7, Parity: "even", Stop: 1}, {Baud: 38400, Data: 8, Parity: "none", Stop: 1}} {
		t.Run(line.String(), func(t *testing.T) {
			t.Parallel()
			b := listening(t, Settings{})
			press := func(text string) {
				var w wire
				w.send(0, line, []byte(text))
				var comes []byte
				for _, e := range w.receive(b.until("the open port", func(s State) bool { return s.Up }).Line) {
					comes = append(comes, e.Data...)
				}
				b.press(comes)
			}
			presses := 0
			for texts := []string{"+12.7003 mm\r\n", "-00.0044 mm\r\n", "+12.6999 mm\r\n"}; presses < 12 && !b.State().Found; presses++ {
				s := b.State()
				press(texts[presses%3])
				time.Sleep(time.Second) // what can't be read is judged when the line is silent again
				for end := time.Now().Add(8 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
					if now := b.State(); now.Line != s.Line || now.Found || now.Best != nil && (s.Best == nil || now.Best.Agreed > s.Best.Agreed) {
						break
					}
				}
			}
			s := b.State()
			if !s.Found || s.Line.Baud != line.Baud {
				t.Fatalf("after %d presses: %s %v", presses, s.Line, s.Newest)
			}
			press("+12.6987 mm\r\n")
			b.until("the press", func(now State) bool { return now.Bytes > s.Bytes })
			if !b.Show("12.6987 mm") {
				t.Fatal("no display")
			}
			if s = b.until("agreement", func(s State) bool { return s.Best != nil && s.Best.Sure() }); s.Best.Line != line {
				t.Errorf("found %s", s.Best.Line)
			}
			t.Logf("%s found by %d presses", line, presses)
		})
	}
}

// The adapter is pulled out half way: that is said, and it goes on when it is back, with what it knew.
func TestListen_GoesOnAfterUnplugging(t *testing.T) {
	t.Parallel()
	link := filepath.Join(t.TempDir(), "gauge")
	b := listening(t, Settings{Device: link})
	b.press([]byte("+12.7003 mm\r\n"))
	b.until("a frame", func(s State) bool { return s.Best != nil })
	to, err := os.Readlink(link)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(link); err != nil {
		t.Fatal(err)
	}
	gone := b.until("the loss", func(s State) bool { return !s.Up })
	if gone.Lost.Code != "port.gone" {
		t.Errorf("said %+v", gone.Lost)
	}
	if err := os.Symlink(to, link); err != nil {
		t.Fatal(err)
	}
	b.until("the port to be back", func(s State) bool { return s.Up })
	for _, text := range []string{"+12.7104 mm\r\n", "-00.0044 mm\r\n", "+12.6999 mm\r\n"} {
		b.press([]byte(text))
	}
	if s := b.until("frames after it", func(s State) bool { return s.Found && s.Best.Agreed == 4 }); !s.Lost.IsZero() {
		t.Errorf("lost %v", s.Lost)
	}
}

// A gauge that streams for hours fills no memory, and what a display was compared with stays.
func TestListen_KeepsABoundedAmount(t *testing.T) {
	l := NewListener(Settings{})
	h := l.begin(drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}, probe{})
	at := time.Duration(0)
	send := func(text string) {
		at += 20 * time.Millisecond
		l.keep(h, drivers.Entry{At: at, Data: []byte(text)})
	}
	for range 10 {
		send("-02.0044 mm\r")
	}
	l.mu.Lock()
	h.Shown = append(h.Shown, Shown{"-2.0044 mm", at})
	l.mu.Unlock()
	for range 10 * entriesMost {
		send("+12.7003 mm\r")
	}
	if len(h.Entries) > entriesMost || h.size > bytesMost {
		t.Errorf("%d entries, %d bytes are kept", len(h.Entries), h.size)
	}
	l.guess()
	if b := l.State().Best; b == nil || !b.Sure() || b.Matched != 1 {
		t.Errorf("the display of before is forgotten")
	}
	for range 2000 {
		send(strings.Repeat("x", 4096))
	}
	if h.size > bytesMost {
		t.Errorf("a flood leaves %d bytes", h.size)
	}
	if !slices.IsSortedFunc(h.Entries, func(a, b drivers.Entry) int { return int(a.At - b.At) }) {
		t.Error("out of order")
	}
}
