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
	Idle                  // silence for Config.Silence; at most three in one silence
	LineError             // a byte came damaged or is missing here; don't trust the frame around it
	LineState             // a modem line changed and kept its new state
	Up                    // the line was opened; the next bytes may begin in the middle of a frame
	Lost                  // the line can't be read; an unfinished frame will never be finished
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
	Data  []byte          // for Data; valid until the sink returns
	Lines ModemLines      // for LineState
	Name  string          // for Up: what was opened
	Why   analysis.Phrase // for Lost and End: the cause
}

// ModemLines are the states of the incoming modem lines, true when on. A foot switch is wired as a
// dry contact between one of them and DTR or RTS, which are held on (common practice).
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

// parseLines is the inverse of ModemLines.String.
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

// errNoLines says that a line, such as a pseudo-terminal, has no modem lines.
var errNoLines = errors.New("no modem lines")

// debounce reports a change of the modem lines once the new state has lasted for hold.
type debounce struct {
	hold        time.Duration
	known       bool
	state, next ModemLines
	since       time.Duration
}

// step takes the state of the lines at the time now. It returns the settled state and whether that
// state has just changed. The first state seen counts as a change.
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
