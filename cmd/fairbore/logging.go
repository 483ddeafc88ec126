package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/service"
)

// The log must not hold up a gauge, so writing to the log never waits. The lines wait in a queue
// until standard error takes them. A line that finds the queue full is dropped and counted.
const (
	logRoom  = 1024        // lines
	logGrace = time.Second // time at the end to write the lines that are left
)

// logLines takes lines of the log and passes them on from a goroutine of its own. The goroutine
// starts with the first line.
type logLines struct {
	to      io.Writer
	screen  io.Writer // writes a line as a person reads it, nil unless to is a terminal
	journal bool      // to is the journal of systemd, which takes a line's priority from before it
	lines   chan []byte
	dropped atomic.Uint64
	start   sync.Once
	ended   chan struct{}
}

func newLogLines(to io.Writer) *logLines {
	l := &logLines{to: to, journal: service.IsJournal(to), lines: make(chan []byte, logRoom), ended: make(chan struct{})}
	if terminal(to) {
		l.screen = zerolog.ConsoleWriter{Out: to, TimeFormat: time.TimeOnly, NoColor: os.Getenv("NO_COLOR") != ""}
	}
	return l
}

// Write implements io.Writer. It takes one line without a level.
func (l *logLines) Write(line []byte) (int, error) { return l.WriteLevel(zerolog.NoLevel, line) }

// WriteLevel implements zerolog.LevelWriter. It takes one line and copies it. It never waits and
// never fails.
func (l *logLines) WriteLevel(level zerolog.Level, line []byte) (int, error) {
	l.start.Do(func() { go l.run() })
	select {
	case l.lines <- append(l.priority(level), line...):
	default:
		l.dropped.Add(1)
	}
	return len(line), nil
}

// priority returns what stands before a line of a level: its priority of syslog in the form of
// sd-daemon(3), nothing if the lines don't go to the journal.
func (l *logLines) priority(level zerolog.Level) []byte {
	if !l.journal {
		return nil
	}
	switch {
	case level == zerolog.NoLevel:
		level = zerolog.InfoLevel
	case level >= zerolog.FatalLevel:
		return []byte("<2>")
	}
	return []byte{'<', "7643"[max(level, zerolog.DebugLevel)], '>'}
}

// fail writes the error with which the program ends, each of its lines with the priority of an
// error.
func (l *logLines) fail(text string) {
	for line := range bytes.Lines([]byte("fairbore: " + text + "\n")) {
		l.to.Write(append(l.priority(zerolog.ErrorLevel), line...))
	}
}

func (l *logLines) run() {
	defer close(l.ended)
	for line := range l.lines {
		if line == nil {
			return
		}
		l.put(line)
		if n := l.dropped.Swap(0); n > 0 {
			l.put(fmt.Appendf(l.priority(zerolog.WarnLevel), `{"level":"warn","dropped":%d,"message":"lines of the log were dropped: nobody took them in time"}`+"\n", n))
		}
	}
}

// put writes a line: as JSON, or as a person reads it on a terminal. An error can't be reported, since
// this is where errors are written.
func (l *logLines) put(line []byte) {
	if l.screen != nil {
		l.screen.Write(line)
		return
	}
	l.to.Write(line)
}

// close writes the lines that are left, but waits no longer than a second. Lines written to the log
// after close are lost.
func (l *logLines) close() {
	limit := time.NewTimer(logGrace)
	defer limit.Stop()
	l.start.Do(func() { close(l.ended) }) // no line was ever written
	select {
	case l.lines <- nil:
	case <-l.ended:
	case <-limit.C:
		return
	}
	select {
	case <-l.ended:
	case <-limit.C:
	}
}
