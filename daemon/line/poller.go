package line

import (
	"time"

	"fairbore/daemon/port"
	"fairbore/drivers"
)

// poller times the requests to an instrument that sends only when asked. The next request is due
// when the reply has come and the interval is over, or when the reply is overdue.
type poller struct {
	asker   drivers.Requester // nil: the instrument sends by itself
	timer   *time.Timer       // calls due when the next request is due
	waiting bool              // a reply is still to come
	at      time.Time         // when the request was sent
	seen    uint64            // outcomes of the line when the request was sent
	silent  int               // requests in a row without an outcome
	rested  bool              // the rest after them is over
	buf     []byte
}

func newPoller(r drivers.Requester, due func()) *poller {
	p := &poller{asker: r, timer: time.AfterFunc(time.Hour, due)}
	p.timer.Stop()
	return p
}

// soon has the instrument asked after a while.
func (p *poller) soon(in time.Duration) { p.timer.Reset(in) }

// saw notes what the port told, and the number of frames and rejects so far. It reports whether the
// request is settled.
func (p *poller) saw(k port.Kind, outcomes uint64) (over bool) {
	if p.asker == nil {
		return false
	}
	was := p.waiting
	switch {
	case k == port.Up:
		p.waiting, p.silent = false, 0
		p.timer.Reset(0)
	case k == port.Lost || k == port.End:
		p.waiting = false
		p.timer.Stop()
	case p.waiting && outcomes > p.seen:
		p.waiting, p.silent = false, 0
		interval, _ := p.asker.Pace()
		p.timer.Reset(max(0, interval-time.Since(p.at)))
	}
	p.seen = outcomes
	return was && !p.waiting
}

// missed notes a request without a reply.
func (p *poller) missed() { p.waiting, p.silent, p.rested = false, p.silent+1, false }

// On a shared line an instrument that did not answer several requests, such as one that is switched
// off, is left alone for so many times its timeout, so that it does not take the line from the
// others.
const (
	silentLeast = 3
	restMost    = 10
)

// restful reports whether the instrument is to be left alone for now, and has it asked once that is
// over.
func (p *poller) restful(shared bool) bool {
	if !shared || p.silent < silentLeast || p.rested {
		return false
	}
	_, timeout := p.asker.Pace()
	p.rested = true
	p.timer.Reset(time.Duration(min(p.silent, restMost)) * timeout)
	return true
}

// next returns the next request.
func (p *poller) next(now time.Time) []byte {
	_, timeout := p.asker.Pace()
	p.waiting, p.at = true, now
	p.timer.Reset(max(timeout, time.Millisecond))
	p.buf = p.asker.Request(p.buf[:0])
	return p.buf
}
