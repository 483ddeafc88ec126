package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"time"
)

// meter shows how far long work has come, on a line of its own that it writes
// again and again.
type meter struct {
	to    io.Writer
	what  string
	now   func() time.Time
	began time.Time
	told  time.Time
	width int  // of the line as it stands; 0: none
	over  bool // all is done, and said
}

// meterEvery is how often the line is written at most.
const meterEvery = 100 * time.Millisecond

// progress returns what long work calls with how far it has come, nil where
// nobody looks on.
func (s *streams) progress(what string) func(done, total uint64) {
	if !terminal(s.err) {
		return nil
	}
	s.meter = &meter{to: s.err, what: what, now: time.Now}
	return s.meter.show
}

// progressBeside is progress for work that writes as it goes: nil too where it
// writes to a terminal, and not to the file at path.
func (s *streams) progressBeside(what, path string) func(done, total uint64) {
	if path == "" && terminal(s.out.to) {
		return nil
	}
	return s.progress(what)
}

func terminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	if err != nil || info.Mode()&os.ModeCharDevice == 0 {
		return false
	}
	null, err := os.Stat(os.DevNull) // a device of characters too, but nobody reads it
	return err != nil || !os.SameFile(info, null)
}

// show writes the line, if it is time to.
func (m *meter) show(done, total uint64) {
	now := m.now()
	if m.began.IsZero() {
		m.began = now
	}
	if m.over || done < total && now.Sub(m.told) < meterEvery {
		return
	}
	m.told = now
	line := fmt.Sprintf("%s %3.0f %%, %d of %d%s", m.what, math.Floor(100*float64(done)/float64(max(total, 1))), done, total, m.left(now, done, total))
	fmt.Fprintf(m.to, "\r%s%s", line, strings.Repeat(" ", max(0, m.width-len(line)))) // over the longer line of before
	m.width = len(line)
	if m.over = done >= total; m.over {
		m.end()
	}
}

// left says about how long the rest takes, once that can be told.
func (m *meter) left(now time.Time, done, total uint64) string {
	spent := now.Sub(m.began)
	if spent < time.Second || done == 0 || done >= total {
		return ""
	}
	rest := time.Duration(float64(spent) / float64(done) * float64(total-done))
	return ", about " + max(rest.Round(time.Second), time.Second).String() + " left"
}

// end leaves the line, so that what is written next has one of its own.
func (m *meter) end() {
	if m != nil && m.width > 0 {
		fmt.Fprintln(m.to)
		m.width = 0
	}
}
