package port

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/drivers"
)

// Kind says what happened on the line.
type Kind uint8

// The kinds of chunk.
const (
	Data      Kind = iota // bytes came
	Idle                  // the line was silent for Config.Silence after bytes or Up; repeated after the same time again, up to three times
	LineError             // a byte came damaged or went missing here; the frame around this place can't be trusted
	LineState             // a modem line changed and stayed so
	Up                    // the line was opened: what comes next may begin within a frame
	Lost                  // the line can't be read: an unfinished frame will never be finished
	End                   // the recording is over
)

// String names the kind.
func (k Kind) String() string {
	names := [...]string{"data", "idle", "line error", "line state", "up", "lost", "end"}
	if int(k) < len(names) {
		return names[k]
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

// Chunk is one thing that happened on the line.
type Chunk struct {
	At    drivers.Moment
	Kind  Kind
	Data  []byte          // of Data; valid until the sink returns
	Lines ModemLines      // of LineState
	Name  string          // of Up: what was opened
	Why   analysis.Phrase // of Lost: the cause
}

// ModemLines are the modem lines that come in, true when on. A dry contact between
// DTR or RTS, which are held on, and one of them is a foot switch (common practice).
type ModemLines struct{ CTS, DSR, DCD, RI bool }

// String lists the lines that are on, "none" if there are none.
func (l ModemLines) String() string {
	var on []string
	for _, f := range l.fields() {
		if *f.on {
			on = append(on, f.name)
		}
	}
	if on == nil {
		return "none"
	}
	return strings.Join(on, " ")
}

type lineField struct {
	name string
	on   *bool
}

func (l *ModemLines) fields() [4]lineField {
	return [4]lineField{{"CTS", &l.CTS}, {"DSR", &l.DSR}, {"DCD", &l.DCD}, {"RI", &l.RI}}
}

// parseLines is the inverse of Lines.String.
func parseLines(s string) (ModemLines, error) {
	var l ModemLines
	if s == "none" {
		return l, nil
	}
next:
	for _, word := range strings.Fields(s) {
		for _, f := range l.fields() {
			if f.name == word {
				*f.on = true
				continue next
			}
		}
		return ModemLines{}, fmt.Errorf("%q: not a modem line", word)
	}
	return l, nil
}

// errNoLines says that a line has no modem lines, as a pseudo-terminal.
var errNoLines = errors.New("no modem lines")

// debounce reports a change of the lines once it has lasted for hold.
type debounce struct {
	hold        time.Duration
	known       bool
	state, next ModemLines
	since       time.Duration
}

// step takes what the lines are at the time now and returns the settled state,
// and whether it has just changed. The first state seen is a change too.
func (d *debounce) step(seen ModemLines, now time.Duration) (ModemLines, bool) {
	if !d.known {
		d.known, d.state, d.next = true, seen, seen
		return seen, true
	}
	if seen != d.next {
		d.next, d.since = seen, now
	}
	if d.next == d.state || now-d.since < d.hold {
		return d.state, false
	}
	d.state = d.next
	return d.state, true
}
