package drivers

import "time"

// maxLine is the longest line, in bytes. The longest lines of indicators have 40 (common practice).
const maxLine = 256

// splitter cuts a stream into lines that end by CR, LF or both. See lineDriver for which lines it
// does not believe.
type splitter struct {
	quiet    time.Duration
	fixed    bool // all lines have the same length, so a cut line is noticed
	nextByte nextByte
	fault    Reason // what is wrong with the frame returned last, empty if nothing is
}

// nextByte says what is known of the next byte.
type nextByte uint8

const (
	unsure nextByte = iota // it may be within a line
	begin                  // it begins a line
	within                 // it belongs to a line that was dropped
)

func readQuiet(r *optionReader) time.Duration {
	return r.duration("quiet", 10*time.Millisecond, time.Minute)
}

// Pause implements Pauser.
func (l *splitter) Pause() time.Duration { return l.quiet }

// Reset implements Resetter.
func (l *splitter) Reset() { l.nextByte, l.fault = unsure, "" }

func (l *splitter) takeFault() Reason {
	f := l.fault
	l.fault = ""
	return f
}

// Split implements Decoder.
func (l *splitter) Split(data []byte, idle bool) (advance int, frame []byte) {
	l.fault = ""
	n := 0
	for n < len(data) && isEnd(data[n]) {
		n++
	}
	if n > 0 {
		l.nextByte = begin
		return n, data[:0]
	}
	seen := min(len(data), maxLine+1)
	for i, c := range data[:seen] {
		if isEnd(c) {
			return l.whole(data, i)
		}
	}
	switch {
	case l.nextByte == within && len(data) > 0:
		return seen, data[:0] // the rest of the line end may follow
	case len(data) > maxLine:
		l.nextByte = within
		return maxLine + 1, data[:maxLine+1]
	case idle && len(data) > 0: // the line broke off
		l.nextByte, l.fault = unsure, TooShort
		return len(data), data
	case idle:
		l.nextByte = begin
	}
	return 0, nil
}

func isEnd(c byte) bool { return c == '\r' || c == '\n' }

// whole returns the line that ends at i.
func (l *splitter) whole(data []byte, i int) (int, []byte) {
	was := l.nextByte
	l.nextByte = begin
	switch {
	case was == within:
		return i + 1, data[:0]
	case was == unsure && !l.fixed:
		l.fault = Cut
	}
	return i + 1, data[:i]
}
