package daemon

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

// line turns what a port tells into events of a session. It is used by one
// goroutine; live use and replay share it.
type line struct {
	name     string // of the instrument at its end
	stream   drivers.Stream
	session  *session.Session
	asker    drivers.Requester // nil if it speaks by itself
	scanner  bool              // what is typed is text for the operator, not a value
	pedal    string            // modem line of the foot switch, "" for none
	does     string            // what it does
	spindle  string            // modem line that is on while the spindle turns
	lines    port.ModemLines
	outcomes uint64 // frames and rejects so far
	damaged  bool   // bytes went bad: nothing is believed up to the next frame
	usual    int    // events that followed from the chunk before
	reject   func(drivers.Reason, []byte)
}

func newLine(name string, d drivers.Decoder, s *session.Session) *line {
	l := &line{name: name, stream: drivers.Stream{Decoder: d}, session: s, reject: func(drivers.Reason, []byte) {}}
	l.asker, _ = d.(drivers.Requester)
	return l
}

// take takes a chunk of the port in and returns the events that follow.
func (l *line) take(c port.Chunk) (events []event.Event) {
	at := session.Stamp(c.At)
	add := func(more []event.Event) {
		if events == nil {
			events = more // nearly always the only ones
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
		case l.damaged && f.Reject == "": // the frame around a bad byte may be whole and wrong
			l.damaged = false
			l.reject(drivers.LineError, f.Frame)
		case l.scanner:
			add(l.scan(at, f.Frame))
		case f.Reject != "":
			l.reject(f.Reject, f.Frame)
		default:
			add(l.session.Sample(at, l.name, f.Samples))
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
		l.damaged = false
		if !l.scanner {
			add(l.session.GaugeState(at, l.name, false, analysis.Phrase{}))
		}
	case port.Lost, port.End:
		l.stream.Reset(found)
		if c.Kind == port.Lost && !l.scanner {
			add(l.session.GaugeState(at, l.name, true, analysis.Quote(c.Why)))
		}
	}
	l.usual = len(events)
	return events
}

// scan gives what was typed to the session: printable text of a sensible length.
func (l *line) scan(at session.Stamp, frame []byte) []event.Event {
	text := strings.TrimSpace(strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return -1
	}, string(frame)))
	if text == "" || len(text) > 64 {
		return nil
	}
	events, _ := l.session.Scanned(at, text)
	return events
}

// contacts acts on what changed on the modem lines: the foot switch when it is
// pressed, the spindle both ways.
func (l *line) contacts(at session.Stamp, now port.ModemLines) (events []event.Event) {
	before := l.lines
	l.lines = now
	if l.spindle != "" {
		events = l.session.SpindleState(at, contact(now, l.spindle))
	}
	if l.pedal != "" && contact(now, l.pedal) && !contact(before, l.pedal) {
		more, _ := l.session.Act(at, event.Action{Do: l.does, Source: "pedal"})
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
