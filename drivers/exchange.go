package drivers

import "time"

// exchange keeps apart the replies to the requests of a gauge that sends only when it is asked. A
// reply has no number of its own, so it could belong to an earlier request. A late reply would be
// taken for the reply to the next request, and all later replies would be one request behind. So
// exchange inserts a silent round, in which nothing is asked and nothing that comes is believed. It
// does so after opening, after a request that was not answered, after a broken answer, and while a
// frame is unfinished.
type exchange struct {
	pacing
	asked     bool // a request was sent and is not answered yet
	listening bool // this is a silent round
	trusted   bool // the next reply answers the next request
	pending   int  // number of bytes of an unfinished frame
	stale     int  // how many of the pending bytes came before the request
}

// pacing is how often a gauge is asked.
type pacing struct{ interval, timeout time.Duration }

func readPacing(r *optionReader) pacing {
	return pacing{
		interval: r.duration("interval", 0, time.Hour),
		timeout:  r.duration("timeout", 10*time.Millisecond, time.Minute),
	}
}

// pacingOptions returns the options that all drivers share that ask.
func pacingOptions(interval, timeout string) []Option {
	return []Option{
		{"interval", "least time between two requests", interval, nil},
		{"timeout", "how long to wait for a reply before asking again", timeout, nil},
	}
}

// Pace implements Requester.
func (p *pacing) Pace() (interval, timeout time.Duration) { return p.interval, p.timeout }

// Reset implements Resetter.
func (x *exchange) Reset() {
	x.asked, x.listening, x.trusted, x.pending, x.stale = false, false, false, 0, 0
}

// next begins a round, and reports whether to ask in it.
func (x *exchange) next() bool {
	if !x.listening && (x.asked || !x.trusted || x.pending > 0) {
		x.asked, x.listening, x.trusted = false, true, false
		return false
	}
	x.asked, x.listening, x.trusted, x.stale = true, false, true, x.pending
	return true
}

// split drops the bytes that came before the request and never became a whole frame. It passes the
// rest to the splitter of the format.
func (x *exchange) split(data []byte, idle bool, split func([]byte, bool) (int, []byte)) (advance int, frame []byte) {
	if n := min(x.stale, len(data)); n > 0 {
		x.stale -= n
		x.pending = 0
		return n, nil
	}
	advance, frame = split(data, idle)
	x.pending = len(data) - advance
	return advance, frame
}

// answers reports whether the frame is the answer to the request. It ends the round.
func (x *exchange) answers() bool {
	answer := x.asked
	x.asked = false
	return answer
}

// judge takes the error of an answer. The rest of a broken answer may still come, so what follows
// is not trusted.
func (x *exchange) judge(err error) {
	switch err {
	case nil, OverRange, GaugeError, NoNumber, UnknownUnit, OtherUnit, BadChannel:
	default:
		x.trusted = false
	}
}
