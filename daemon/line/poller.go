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
	waiting bool              // the reply to the latest request has not come yet
	at      time.Time         // when the latest request was sent
	seen    uint64            // outcomes of the line at the latest chunk
	silent  int               // requests in a row without a reply
	rested  bool              // the rest after the latest missed reply has begun
	buf     []byte
}

func newPoller(r drivers.Requester, due func()) *poller {
	p := &poller{asker: r, timer: time.AfterFunc(time.Hour, due)}
	p.timer.Stop()
	return p
}

// soon makes the next request due after the time in.
func (p *poller) soon(in time.Duration) { p.timer.Reset(in) }

// saw notes the kind of a chunk and the number of frames and rejects of the line so far. It reports
// whether the wait for a reply has ended.
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

// silentLeast is how many requests in a row must stay without a reply before an instrument on a
// shared line is left alone for a while. Otherwise an instrument that is switched off would take
// the line from the other instruments. The rest is as many timeouts as there were such requests,
// but at most restMost timeouts.
const (
	silentLeast = 3
	restMost    = 10
)

// restful reports whether the instrument is to be left alone for now. If so, it makes the next
// request due at the end of the rest.
func (p *poller) restful(shared bool) bool {
	if !shared || p.silent < silentLeast || p.rested {
		return false
	}
	_, timeout := p.asker.Pace()
	p.rested = true
	p.timer.Reset(time.Duration(min(p.silent, restMost)) * timeout)
	return true
}

// next returns the next request and starts the wait for its reply.
func (p *poller) next(now time.Time) []byte {
	_, timeout := p.asker.Pace()
	p.waiting, p.at = true, now
	p.timer.Reset(max(timeout, time.Millisecond))
	p.buf = p.asker.Request(p.buf[:0])
	return p.buf
}
