package main

import (
	"bytes"
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"time"
)

// The log must not hold up a gauge: who writes to it never waits. Lines wait here
// for whoever reads standard error; what finds no room is dropped and counted.
const (
	logRoom  = 1024        // lines
	logGrace = time.Second // to write what is left at the end
)

// logLines takes lines of the log and passes them on from a goroutine of its own,
// which starts with the first line.
type logLines struct {
	to      io.Writer
	lines   chan []byte
	dropped atomic.Uint64
	start   sync.Once
	ended   chan struct{}
}

func newLogLines(to io.Writer) *logLines {
	return &logLines{to: to, lines: make(chan []byte, logRoom), ended: make(chan struct{})}
}

// Write implements io.Writer: a line, which is copied. It never waits and never fails.
func (l *logLines) Write(line []byte) (int, error) {
	l.start.Do(func() { go l.run() })
	select {
	case l.lines <- bytes.Clone(line):
	default:
		l.dropped.Add(1)
	}
	return len(line), nil
}

func (l *logLines) run() {
	defer close(l.ended)
	for line := range l.lines {
		if line == nil {
			return
		}
		l.to.Write(line) // where an error would be told is what fails
		if n := l.dropped.Swap(0); n > 0 {
			fmt.Fprintf(l.to, `{"level":"warn","dropped":%d,"message":"lines of the log were dropped: nobody took them in time"}`+"\n", n)
		}
	}
}

// close writes what is left, as far as it is taken within a second. Who still writes
// afterwards is not heard.
func (l *logLines) close() {
	limit := time.NewTimer(logGrace)
	defer limit.Stop()
	l.start.Do(func() { close(l.ended) }) // there was nothing to write
	select {
	case l.lines <- nil:
	case <-l.ended:
	case <-limit.C:
	}
	select {
	case <-l.ended:
	case <-limit.C:
	}
}
