package daemon

import (
	"time"

	"fairbore/daemon/port"
	"fairbore/drivers"
)

// asking paces the requests to an instrument that speaks only when asked: the
// next one goes out when the reply has come and the interval is over, or when
// the reply is overdue.
type asking struct {
	asker   drivers.Requester // nil: it speaks by itself
	timer   *time.Timer       // calls due when the next request is to go out
	waiting bool              // a request is out
	at      time.Time         // when it went
	seen    uint64            // outcomes of the line when it went
	silent  int               // rounds without an outcome, the latest
	rested  bool              // a rest after them is over
	buf     []byte
}

func newAsking(r drivers.Requester, due func()) *asking {
	a := &asking{asker: r, timer: time.AfterFunc(time.Hour, due)}
	a.timer.Stop()
	return a
}

func (a *asking) stop() { a.timer.Stop() }

// soon has the instrument asked in a while.
func (a *asking) soon(in time.Duration) { a.timer.Reset(in) }

// saw notes what the port told, and how many frames and rejects there have been.
// It reports whether what was asked is over with that.
func (a *asking) saw(k port.Kind, outcomes uint64) (over bool) {
	if a.asker == nil {
		return false
	}
	was := a.waiting
	switch {
	case k == port.Up:
		a.waiting, a.silent = false, 0
		a.timer.Reset(0)
	case k == port.Lost || k == port.End:
		a.waiting = false
		a.timer.Stop()
	case a.waiting && outcomes > a.seen:
		a.waiting, a.silent = false, 0
		interval, _ := a.asker.Pace()
		a.timer.Reset(max(0, interval-time.Since(a.at)))
	}
	a.seen = outcomes
	return was && !a.waiting
}

// missed notes that a round has brought nothing.
func (a *asking) missed() { a.waiting, a.silent, a.rested = false, a.silent+1, false }

// On a line that others wait for, an instrument that stayed silent for some
// rounds, as one that is switched off, is left alone for so many times its
// timeout before it is asked again: it must not take the line from the others.
const (
	silentLeast = 3
	restMost    = 10
)

// restful reports whether the instrument is to be left alone for now, and has it
// asked when that is over.
func (a *asking) restful(shared bool) bool {
	if !shared || a.silent < silentLeast || a.rested {
		return false
	}
	_, timeout := a.asker.Pace()
	a.rested = true
	a.timer.Reset(time.Duration(min(a.silent, restMost)) * timeout)
	return true
}

// next returns the request to send now.
func (a *asking) next(now time.Time) []byte {
	_, timeout := a.asker.Pace()
	a.waiting, a.at = true, now
	a.timer.Reset(max(timeout, time.Millisecond))
	a.buf = a.asker.Request(a.buf[:0])
	return a.buf
}
