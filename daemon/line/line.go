// Package line turns the chunks of a port into the events of a session. It cuts the bytes into
// frames and decodes them. It asks the instruments that send only when asked. It shares a port
// among all instruments on it.
package line

import (
	"slices"
	"strings"
	"unicode"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/port"
	"fairbore/daemon/session"
	"fairbore/drivers"
)

// Instrument describes an instrument on a port of a station.
type Instrument struct {
	Name    string
	Port    port.Config
	Decoder drivers.Decoder
	Scanner bool   // the input is text from the operator, not a value
	Pedal   string // modem line of the foot switch, "" for no foot switch
	Does    string // the action of the foot switch
	Spindle string // modem line that is on while the spindle turns, "" for no such line
}

// Line turns the chunks of an instrument's port into events of a session. Only one goroutine may
// use it. Live operation and replay share it.
type Line struct {
	// Reject is called with each frame, and each run of noise, that gave no value.
	Reject func(drivers.Reason, []byte)
	// Declined is called with each action of the foot switch or the scanner that was not carried
	// out, and why.
	Declined func(source string, r event.Reply)

	Instrument
	stream   drivers.Stream
	session  *session.Session
	asker    drivers.Requester // nil if the instrument sends by itself
	lines    port.ModemLines
	seen     bool   // lines is the state since the line was opened
	outcomes uint64 // frames and rejects so far
	damaged  bool   // bytes were damaged; the next complete frame is rejected
	usual    int    // number of events that followed from the previous chunk
}

// New returns the line that passes the values of an instrument to a session.
func New(i Instrument, s *session.Session) *Line {
	l := &Line{Instrument: i, stream: drivers.Stream{Decoder: i.Decoder}, session: s, Reject: func(drivers.Reason, []byte) {}, Declined: func(string, event.Reply) {}}
	l.asker, _ = i.Decoder.(drivers.Requester)
	return l
}

// Take takes in a chunk of the port and returns the events that follow.
func (l *Line) Take(c port.Chunk) (events []event.Event) {
	at := c.At
	add := func(more []event.Event) {
		if events == nil {
			events = more // in nearly all cases there are no further events
			return
		}
		if len(events) == cap(events) {
			events = slices.Grow(events, max(len(more), l.usual))
		}
		events = append(events, more...)
	}
	found := func(f drivers.Found) {
		l.outcomes++
		switch {
		case l.damaged && f.Reject == "": // the frame with the damaged byte may be complete but wrong
			l.damaged = false
			l.Reject(drivers.LineError, f.Frame)
		case l.Scanner:
			add(l.scan(at, f.Frame))
		case f.Reject != "":
			l.Reject(f.Reject, f.Frame)
		default:
			add(l.session.Sample(at, l.Name, f.Samples))
		}
	}
	switch c.Kind {
	case port.Data:
		l.stream.Feed(c.Data, false, found)
	case port.Idle:
		l.stream.Feed(nil, true, found)
	case port.LineError:
		l.damaged = true
	case port.LineState:
		add(l.contacts(at, c.Lines))
	case port.Up:
		l.stream.Reset(found)
		l.damaged, l.seen = false, false
		if !l.Scanner {
			add(l.session.GaugeState(at, l.Name, false, analysis.Phrase{}))
		}
	case port.Lost, port.End:
		l.stream.Reset(found)
		if c.Kind == port.Lost && !l.Scanner {
			add(l.session.GaugeState(at, l.Name, true, c.Why))
		}
	}
	l.usual = len(events)
	return events
}

// scan passes typed text to the session, if it is printable and of a sensible length.
func (l *Line) scan(at drivers.Moment, frame []byte) []event.Event {
	text := strings.TrimSpace(strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) && !analysis.Invisible(r) {
			return r
		}
		return -1
	}, string(frame)))
	if text == "" || len(text) > 64 {
		return nil
	}
	events, reply := l.session.Scanned(at, text)
	if !reply.Done {
		l.Declined("scanner", reply)
	}
	return events
}

// contacts acts on changes of the modem lines. It acts on the foot switch only when it is pressed,
// not if it is on already when the line is opened. It acts on the spindle when it starts and when it
// stops.
func (l *Line) contacts(at drivers.Moment, now port.ModemLines) (events []event.Event) {
	before, seen := l.lines, l.seen
	l.lines, l.seen = now, true
	if l.Spindle != "" {
		events = l.session.SpindleState(at, contact(now, l.Spindle))
	}
	if l.Pedal != "" && seen && contact(now, l.Pedal) && !contact(before, l.Pedal) {
		more, reply := l.session.ActBlind(at, event.Action{Do: l.Does, Source: "pedal"})
		if !reply.Done {
			l.Declined("pedal", reply)
		}
		events = append(events, more...)
	}
	return events
}

// contact reports whether a modem line is on.
func contact(l port.ModemLines, name string) bool {
	switch name {
	case "cts":
		return l.CTS
	case "dsr":
		return l.DSR
	case "dcd":
		return l.DCD
	case "ri":
		return l.RI
	}
	return false
}
