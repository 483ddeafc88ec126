package main

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"
)

// stuck is a standard error that takes nothing until open is closed.
type stuck struct {
	open chan struct{}
	got  strings.Builder
}

func (s *stuck) Write(b []byte) (int, error) {
	<-s.open
	return s.got.Write(b)
}

// TestLogHoldsNobodyUp checks that a log that nobody reads holds nobody up. Lines are kept in order
// as far as there is room. Lines that find no room are dropped and counted. The end waits no longer
// than a second.
func TestLogHoldsNobodyUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := &stuck{open: make(chan struct{})}
		l := newLogLines(end)
		log := zerolog.New(l)
		began := time.Now()
		const more = 10
		for i := range logRoom + 1 + more { // the stuck writer holds one line
			log.Info().Int("i", i).Msg("")
			synctest.Wait()
		}
		if waited := time.Since(began); waited != 0 {
			t.Errorf("writing took %s", waited)
		}
		close(end.open)
		l.close()
		if waited := time.Since(began); waited != 0 {
			t.Errorf("the end took %s although the lines were taken", waited)
		}
		var want strings.Builder
		for i := range logRoom + 1 {
			fmt.Fprintf(&want, `{"level":"info","i":%d}`+"\n", i)
			if i == 0 {
				fmt.Fprintf(&want, `{"level":"warn","dropped":%d,"message":"lines of the log were dropped: nobody took them in time"}`+"\n", more)
			}
		}
		if end.got.String() != want.String() {
			t.Errorf("the log is %.300q…, want %.300q…", end.got.String(), want.String())
		}
	})
}

func TestLogEnds(t *testing.T) {
	for _, lines := range []int{1, logRoom + 1} { // with room in the queue, and with none
		synctest.Test(t, func(t *testing.T) {
			newLogLines(&strings.Builder{}).close() // no line was written
			end := &stuck{open: make(chan struct{})}
			l := newLogLines(end)
			for range lines {
				l.Write([]byte("a line\n"))
				synctest.Wait()
			}
			began := time.Now()
			l.close()
			if waited := time.Since(began); waited != logGrace {
				t.Errorf("%d lines: the end waited %s for a reader that never came, want %s", lines, waited, logGrace)
			}
			close(end.open)
			synctest.Wait()
			l.close() // the writer's goroutine ends, if it has not
		})
	}
}
