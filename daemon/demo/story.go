package demo

import (
	"fmt"
	"io"
	"net"
	"sync"

	"fairbore/analysis"
	"fairbore/daemon"
	"fairbore/daemon/event"
)

// narrator tells in lines what happens in the shop: what a person would see who stands there.
type narrator struct {
	out     io.Writer
	all     bool   // each step is told, and not only advice and verdicts
	follows string // the station of which each reading is told too, with all

	mu sync.Mutex
}

// tell writes a line about a station, with the time of the demo's clock.
func (n *narrator) tell(p *operator, format string, args ...any) {
	n.mu.Lock()
	defer n.mu.Unlock()
	fmt.Fprintf(n.out, "%s  %s: %s\n", p.d.Now().Format("15:04:05"), p.title, fmt.Sprintf(format, args...))
}

// detail tells a step.
func (n *narrator) detail(p *operator, format string, args ...any) {
	if n.all {
		n.tell(p, format, args...)
	}
}

// opening says what this is, where to look, and how to leave.
func (n *narrator) opening(d *daemon.Daemon, operators []*operator, o *Options) {
	at, clock := "http://"+reachable(d.Addr()), "Its clock is yours."
	if o.Speed != 1 {
		clock = fmt.Sprintf("Its clock runs %g times as fast as yours (--speed 1: real time).", o.Speed)
	}
	fmt.Fprintln(n.out, "SIMULATED: gauges, parts and toolmakers are played. No gauge measures anything.")
	for _, p := range operators {
		if p.station == n.follows {
			fmt.Fprintf(n.out, "Open  %s/station/%s\n", at, p.station)
		}
	}
	if len(operators) > 1 {
		fmt.Fprintf(n.out, "      %s/wall for all bays\n", at)
	}
	fmt.Fprintf(n.out, `%s Sound is off; Settings on the page switches it on. Ctrl-C ends it.
Broker %s, topics fairbore/1/quarry-lane/#. --seed %d plays the same parts again.
At a real machine: stop the spindle before gauging, and follow the machine's manual.

`, clock, d.BrokerAddr(), o.Seed)
}

// reachable returns an address that a browser on this machine can open.
func reachable(addr string) string {
	host, port, err := net.SplitHostPort(addr)
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsUnspecified() {
		return net.JoinHostPort("127.0.0.1", port)
	}
	return addr
}

// followed returns the station that is followed: that of the usual job, or else the first.
func followed(operators []*operator) string {
	for _, p := range operators {
		if p.job.ID == usualJob {
			return p.station
		}
	}
	return operators[0].station
}

// happened tells of a recorded event. What comes often is told of the station that is followed only.
func (n *narrator) happened(p *operator, e *event.Event) {
	switch e.Kind {
	case event.PartBegun:
		n.detail(p, "part %s of %s is on the machine", e.Part.Serial, p.job.ID)
	case event.Mastered:
		n.detail(p, "zero set on ring %s", e.Master.Ring.ID)
	case event.RoundOver:
		n.detail(p, "honed %d strokes; measure again, round %d", e.Round.Strokes, e.Round.Number)
	case event.Judged:
		n.judged(p, e.Verdict)
	}
	if c := e.ZeroCheck(); c != nil {
		word := "holds"
		if !c.Good {
			word = "does not hold"
		}
		n.detail(p, "zero checked on ring %s: it %s", c.Ring.ID, word)
	}
	if p.station != n.follows {
		return
	}
	switch e.Kind {
	case event.RingRead:
		if e.Ring.Restart {
			n.detail(p, "ring %s read, begun again: %s", e.Ring.Ring, e.Ring.Why)
			return
		}
		n.detail(p, "ring %s read %d of %d", e.Ring.Ring, e.Ring.No, e.Ring.Of)
	case event.Taken:
		if e.Reading.Unexpected {
			n.detail(p, "%s measured: %s, asked about: %s", e.Reading.Place, size(e.Reading.Size, p.job.Unit), e.Reading.Ask)
			return
		}
		n.detail(p, "%s measured: %s", e.Reading.Place, size(e.Reading.Size, p.job.Unit))
	case event.Refused:
		n.detail(p, "not counted: %s", e.Refused.Reason)
	}
}

// again tells that a position is measured again, and why.
func (n *narrator) again(p *operator, place analysis.Place, why string) {
	if p.station == n.follows {
		n.detail(p, "%s is measured again: %s", place, why)
	}
}

func (n *narrator) judged(p *operator, v *event.Verdict) {
	word := "accepted"
	if !v.Accepted() {
		word = "not accepted"
	}
	n.tell(p, "part %s %s: %s to %s in %d readings. %s", v.Part, word, size(v.Smallest, p.job.Unit), size(v.Largest, p.job.Unit), v.Readings, v.Reason)
}

// size writes a size in the unit of a job.
func size(l analysis.Length, unit analysis.Unit) string {
	places := 4
	if unit == analysis.IN {
		places = 6
	}
	return l.Format(unit, places) + " " + unit.String()
}
