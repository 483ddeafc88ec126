package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"time"
)

// meter shows the progress of long work on one line of the terminal, which it rewrites.
type meter struct {
	to    io.Writer
	what  string
	now   func() time.Time
	began time.Time
	told  time.Time
	width int  // length of the line on the terminal, 0 if there is none
	over  bool // all work is done, and the line says so
}

// meterEvery is the shortest time between two writes of the line. Only the last write may come
// sooner.
const meterEvery = 100 * time.Millisecond

// progress returns the function that long work calls with its progress. It returns nil if standard
// error is not a terminal, since nobody would see the meter.
func (s *streams) progress(what string) func(done, total uint64) {
	if !terminal(s.err) {
		return nil
	}
	s.meter = &meter{to: s.err, what: what, now: time.Now}
	return s.meter.show
}

// progressBeside is like progress, for work that writes its output while it runs. It also returns
// nil if the output goes to a terminal, which is so if path is empty and standard output is a
// terminal.
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
	null, err := os.Stat(os.DevNull) // also a character device, but nobody reads it
	return err != nil || !os.SameFile(info, null)
}

// show writes the line if it is due.
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
	fmt.Fprintf(m.to, "\r%s%s", line, strings.Repeat(" ", max(0, m.width-len(line)))) // spaces overwrite the rest of a longer line
	m.width = len(line)
	if m.over = done >= total; m.over {
		m.end()
	}
}

// left returns about how long the rest of the work takes, or "" while that can't be estimated.
func (m *meter) left(now time.Time, done, total uint64) string {
	spent := now.Sub(m.began)
	if spent < time.Second || done == 0 || done >= total {
		return ""
	}
	rest := time.Duration(float64(spent) / float64(done) * float64(total-done))
	return ", about " + max(rest.Round(time.Second), time.Second).String() + " left"
}

// end ends the meter's line, so that the next output starts on a line of its own.
func (m *meter) end() {
	if m != nil && m.width > 0 {
		fmt.Fprintln(m.to)
		m.width = 0
	}
}
