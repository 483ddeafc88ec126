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
	buf     []byte
}

func newAsking(r drivers.Requester, due func()) *asking {
	a := &asking{asker: r, timer: time.AfterFunc(time.Hour, due)}
	a.timer.Stop()
	return a
}

func (a *asking) stop() { a.timer.Stop() }

// saw notes what the port told, and how many frames and rejects there have been.
func (a *asking) saw(k port.Kind, outcomes uint64) {
	if a.asker == nil {
		return
	}
	switch {
	case k == port.Up:
		a.waiting = false
		a.timer.Reset(0)
	case k == port.Lost || k == port.End:
		a.waiting = false
		a.timer.Stop()
	case a.waiting && outcomes > a.seen:
		a.waiting = false
		interval, _ := a.asker.Pace()
		a.timer.Reset(max(0, interval-time.Since(a.at)))
	}
	a.seen = outcomes
}

// next returns the request to send now.
func (a *asking) next(now time.Time) []byte {
	_, timeout := a.asker.Pace()
	a.waiting, a.at = true, now
	a.timer.Reset(max(timeout, time.Millisecond))
	a.buf = a.asker.Request(a.buf[:0])
	return a.buf
}
