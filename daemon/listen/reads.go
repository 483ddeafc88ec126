package listen

import (
	"slices"
	"strings"
	"time"
)

// Read is a frame as a proposal reads it.
type Read struct {
	At    time.Duration
	Text  string // with the names of control characters
	Value string // "-0.0044 mm", or several values
}

// Newest returns the newest frames, newest last, at most n.
func (p *Proposal) Newest(n int) (out []Read) {
	for _, f := range p.frames[max(0, len(p.frames)-n):] {
		var values []string
		for _, s := range f.samples {
			values = append(values, s.String())
		}
		out = append(out, Read{f.at, visible([]byte(f.text)), strings.Join(values, ", ")})
	}
	return out
}

// Requested reports whether the gauge speaks only when it is asked.
func (p *Proposal) Requested() bool { return p.view.driver != "" }

// Agrees reports whether a frame agreed with a display, by the order in which they were shown, and
// whether that is known.
func (p *Proposal) Agrees(display int) (agrees, known bool) {
	if display >= len(p.agrees) {
		return false, false
	}
	return p.agrees[display], true
}

// Value returns the newest value as a number and a unit; the unit is "" if it is not known.
func (p *Proposal) Value() (number, unit string) {
	return p.Last.Decimal(), wordOf(p.Unit)
}

// Streams reports whether the gauge seems to send by itself and not at the press of a button, and
// whether there are frames enough to tell. A hand is slower than a few frames a second, and doesn't
// keep its time.
func (p *Proposal) Streams(now time.Duration) (streams, known bool) {
	const least = 5 // intervals
	if n := len(p.frames); n <= least {
		return false, n >= goodFrames && now-p.frames[n-1].at > 3*time.Second // by itself it would have sent again
	}
	var every []time.Duration
	last := p.frames[len(p.frames)-least-1:]
	for i := range least {
		every = append(every, last[i+1].at-last[i].at)
	}
	slices.Sort(every)
	middle := every[least/2]
	if now-last[least].at > 3*middle+time.Second {
		return false, true // it has gone silent
	}
	even := every[0] > middle*9/10 && every[least-1] < middle*11/10
	return middle < 300*time.Millisecond || even, true
}
