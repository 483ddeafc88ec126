package drivers

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Recording is what passed over one line, as text that a person can read, write and compare. The
// text begins with headers that describe the recording. Then come the bytes, one line for each
// piece as it arrived or was sent:
//
//	# fairbore recording 1
//	driver: line
//	option unit: mm
//	interface: serial
//	settings: 9600 8N1
//	made: by the project, no device
//	display: 12.7003
//	date: 2026-11-25
//	note: a comment of one line
//
//	! 0.000000 "opened"
//	> 0.400000 "?\r"
//	< 0.412345 "+12.7003 mm\r\n"
//	< 0.812345 2026-11-25T09:17:31.812345+01:00 "+12.7004 mm\r\n"
//
// The first letter is the direction: < from the gauge, > to the gauge, or ! for a mark that says
// what happened to the line. Then come the seconds since the recording began, by a clock that never
// jumps; the wall clock, if it is known; and the bytes in quotes. Printable ASCII stands as it is.
// The escapes are \r \n \t \" \\, and \x with two hex digits for all other bytes. A request of no
// bytes stands for a round in which nothing was asked (see Requester). Empty lines and lines that
// begin with # have no meaning, with one exception: a line "# whole so far: 1a2b3c4d" holds a sum of
// all entries before it (see [Sum]). A recorder writes one each time before it syncs the file.
//
// A recording of one visit to a bore has more headers. Each line "visit NAME: value" says what
// gauged the bore and how it was set. Each line "outcome: …" says what the visit gave.
type Recording struct {
	Driver    string
	Options   Options // of the driver
	Interface string  // serial, tcp, rfc2217, keyboard
	Settings  string  // of the line, "9600 8N1"
	Made      string  // how it was made, and with what device
	Display   string  // what the gauge's own display showed, one value after another
	Date      string  // ISO 8601
	Note      string
	Visit     Options  // for a visit: what gauged the bore, and its settings; empty for any other recording
	Outcomes  []string // for a visit, in order
	Entries   []Entry
}

// Entry is one piece of a recording: the bytes of one read or of one write, or a mark.
type Entry struct {
	At   time.Duration // since the recording began, 0 or more
	Wall time.Time     // zero if not known
	Out  bool          // sent to the gauge
	Mark string        // what happened to the line, such as MarkOpened; Data is then nil
	Data []byte
}

// The marks that have a meaning when a recording is played. Other marks are only remarks.
const (
	MarkOpened = "opened" // the line was opened: the next bytes may begin within a frame
	MarkLost   = "lost"   // the line went away or was closed
)

// The faults of a recording that was cut off or damaged, as after a power cut. What comes before
// them is good.
var (
	// ErrTorn says that the last line was not finished.
	ErrTorn = errors.New("the last line is not finished")
	// ErrHole says that an entry before this line is missing or was changed, or that the line is
	// none that a recorder writes.
	ErrHole = errors.New("what was recorded here is missing or was changed; if that was you, delete the lines that begin with " + strings.TrimSpace(checkMark))
)

const checkMark = "# whole so far: "

// Sum is a sum of the entries of a recording, a CRC-32 (IEEE 802.3) of their lines, each with one
// line feed.
type Sum uint32

// Add returns the sum with more lines.
func (s Sum) Add(lines []byte) Sum { return Sum(crc32.Update(uint32(s), crc32.IEEETable, lines)) }

// AppendCheck appends the line that holds the sum of the entries before it to b.
func AppendCheck(b []byte, s Sum) []byte { return fmt.Appendf(b, "%s%08x\n", checkMark, uint32(s)) }

const recordingTitle = "# fairbore recording 1"

// field returns a pointer to a header value. It returns nil if there is no such header.
func (r *Recording) field(name string) *string {
	switch name {
	case "driver":
		return &r.Driver
	case "interface":
		return &r.Interface
	case "settings":
		return &r.Settings
	case "made":
		return &r.Made
	case "display":
		return &r.Display
	case "date":
		return &r.Date
	case "note":
		return &r.Note
	}
	return nil
}

// AppendHeader appends the header lines of r, without its entries, to b. A header value is one
// line, so a line break in it becomes a blank.
func AppendHeader(b []byte, r *Recording) []byte {
	isBreak := func(c rune) bool { return c == '\n' || c == '\r' }
	line := func(name, value string) {
		if value != "" {
			b = append(b, name+": "+strings.Join(strings.FieldsFunc(value, isBreak), " ")+"\n"...)
		}
	}
	b = append(b, recordingTitle+"\n"...)
	line("driver", r.Driver)
	for _, name := range slices.Sorted(maps.Keys(r.Options)) {
		b = append(b, "option "+name+": "...)
		b = append(appendQuoted(b, []byte(r.Options[name])), '\n')
	}
	for _, name := range []string{"interface", "settings", "made", "display", "date", "note"} {
		line(name, *r.field(name))
	}
	for _, name := range slices.Sorted(maps.Keys(r.Visit)) {
		line("visit "+name, r.Visit[name])
	}
	for _, o := range r.Outcomes {
		line("outcome", o)
	}
	return append(b, '\n')
}

// AppendEntry appends the line of one entry to b.
func AppendEntry(b []byte, c Entry) []byte {
	data := c.Data
	switch {
	case c.Mark != "":
		b, data = append(b, '!'), []byte(c.Mark)
	case c.Out:
		b = append(b, '>')
	default:
		b = append(b, '<')
	}
	b = appendSeconds(append(b, ' '), c.At)
	if !c.Wall.IsZero() {
		b = c.Wall.AppendFormat(append(b, ' '), time.RFC3339Nano)
	}
	return append(appendQuoted(append(b, ' '), data), '\n')
}

// appendSeconds writes d to the microsecond, or to the nanosecond if d has a fraction of a
// microsecond.
func appendSeconds(b []byte, d time.Duration) []byte {
	d = max(d, 0)
	b = append(strconv.AppendInt(b, int64(d/time.Second), 10), '.')
	rest, unit := d%time.Second, 100*time.Millisecond
	for n := 0; n < 6 || (rest > 0 && n < 9); n++ {
		b = append(b, byte('0'+rest/unit))
		rest, unit = rest%unit, unit/10
	}
	return b
}

const hexDigits = "0123456789abcdef"

func appendQuoted(b, data []byte) []byte {
	b = append(b, '"')
	for _, c := range data {
		switch {
		case c == '"' || c == '\\':
			b = append(b, '\\', c)
		case c == '\r':
			b = append(b, `\r`...)
		case c == '\n':
			b = append(b, `\n`...)
		case c == '\t':
			b = append(b, `\t`...)
		case c >= ' ' && c <= '~':
			b = append(b, c)
		default:
			b = append(b, '\\', 'x', hexDigits[c>>4], hexDigits[c&15])
		}
	}
	return append(b, '"')
}

// ParseRecording reads a whole recording. Its errors begin with the line number. With [ErrTorn] and
// [ErrHole] it also returns the recording up to the fault: up to the line that can't be read, or up
// to the last good sum if a sum is wrong.
func ParseRecording(text []byte) (*Recording, error) {
	r := &Recording{Options: Options{}, Visit: Options{}}
	var sum Sum
	good := -1 // number of entries before the newest sum, which was right; -1: there was no sum yet
	for n := 1; len(text) > 0; n++ {
		line, rest, whole := bytes.Cut(text, []byte("\n"))
		text = rest
		s := strings.TrimSpace(string(line))
		if n == 1 && s != recordingTitle {
			return nil, fmt.Errorf("line 1: give %q", recordingTitle)
		}
		if whole && strings.HasPrefix(s, "#") && strings.Contains(s, checkMark) {
			if s != fmt.Sprintf("%s%08x", checkMark, uint32(sum)) {
				r.Entries = r.Entries[:max(good, 0)]
				return r, fmt.Errorf("line %d: %w", n, ErrHole)
			}
			good = len(r.Entries)
			continue
		}
		before := len(r.Entries)
		err := r.parseLine(s)
		switch {
		case err == nil:
			if len(r.Entries) > before {
				sum = sum.Add([]byte(s)).Add([]byte("\n"))
			}
		case !whole:
			return r, fmt.Errorf("line %d: %w", n, ErrTorn)
		case good >= 0 || !utf8.ValidString(s) || strings.ContainsFunc(s, unwritten):
			return r, fmt.Errorf("line %d: %w", n, ErrHole)
		default:
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
	}
	return r, nil
}

// unwritten reports whether no recording has a character.
func unwritten(c rune) bool { return unicode.IsControl(c) && c != '\t' }

func (r *Recording) parseLine(s string) error {
	switch {
	case s == "":
		return nil
	case s[0] == '#':
		if !utf8.ValidString(s) || strings.ContainsFunc(s, unwritten) {
			return errors.New("a comment with bytes that are no text")
		}
		return nil
	case s[0] == '<' || s[0] == '>' || s[0] == '!':
		c, err := ParseEntry(s)
		if err == nil {
			r.Entries = append(r.Entries, c)
		}
		return err
	}
	name, value, ok := strings.Cut(s, ":")
	value = strings.TrimSpace(value)
	if option, found := strings.CutPrefix(name, "option "); ok && found {
		if strings.HasPrefix(value, `"`) {
			v, err := unquote(value)
			if err != nil {
				return fmt.Errorf("option %s: %w", option, err)
			}
			value = string(v)
		}
		r.Options[option] = value
		return nil
	}
	if about, found := strings.CutPrefix(name, "visit "); ok && found {
		r.Visit[about] = value
		return nil
	}
	if ok && name == "outcome" {
		r.Outcomes = append(r.Outcomes, value)
		return nil
	}
	f := r.field(name)
	if !ok || f == nil {
		return fmt.Errorf("%q: neither a header nor a chunk, which begins with <, > or ! and a blank", s)
	}
	*f = value
	return nil
}

// ParseEntry reads the line of one entry.
func ParseEntry(line string) (Entry, error) {
	head, quoted, ok := strings.Cut(line, ` "`)
	f := strings.Fields(head)
	if !ok || len(f) < 2 || len(f) > 3 || !strings.Contains("<>!", f[0]) {
		return Entry{}, errors.New(`give <, > or !, the seconds, perhaps the wall clock, and the bytes in quotes`)
	}
	if i := strings.IndexFunc(quoted, func(r rune) bool { return r < ' ' || r > '~' }); i >= 0 {
		return Entry{}, fmt.Errorf(`%q in the quotes: want printable ASCII, and \x with two hex digits for all other bytes`, quoted[i])
	}
	data, err := unquote(`"` + quoted)
	if err != nil {
		return Entry{}, err
	}
	c := Entry{Out: f[0] == ">", Data: data}
	if f[0] == "!" {
		c.Mark, c.Data = string(data), nil
		if c.Mark == "" {
			return Entry{}, errors.New("a mark must say something")
		}
	}
	if c.At, err = time.ParseDuration(f[1] + "s"); err != nil || c.At < 0 {
		return Entry{}, fmt.Errorf("%q is not valid: give seconds since the beginning", f[1])
	}
	if len(f) == 3 {
		if c.Wall, err = time.Parse(time.RFC3339Nano, f[2]); err != nil {
			return Entry{}, fmt.Errorf("%q is not valid: give a time by RFC 3339", f[2])
		}
	}
	return c, nil
}

func unquote(s string) ([]byte, error) {
	if len(s) < 2 || s[0] != '"' || s[len(s)-1] != '"' {
		return nil, fmt.Errorf("%s: the quotes do not match", s)
	}
	return unescape(s[1 : len(s)-1])
}

// unescape reads text with the escapes of a recording. The options that hold bytes use the same
// escapes.
func unescape(s string) ([]byte, error) {
	b := make([]byte, 0, len(s))
	for len(s) > 0 {
		c := s[0]
		s = s[1:]
		if c != '\\' {
			b = append(b, c)
			continue
		}
		if s == "" {
			return nil, errors.New(`a \ at the end escapes nothing`)
		}
		c, s = s[0], s[1:]
		switch c {
		case 'r':
			c = '\r'
		case 'n':
			c = '\n'
		case 't':
			c = '\t'
		case '\\', '"':
		case 'x':
			v, err := strconv.ParseUint(s[:min(2, len(s))], 16, 8)
			if err != nil || len(s) < 2 {
				return nil, errors.New(`\x: want two hex digits`)
			}
			c, s = byte(v), s[2:]
		default:
			return nil, fmt.Errorf(`\%c is not valid: give one of \r \n \t \" \\, or \x and two hex digits`, c)
		}
		b = append(b, c)
	}
	return b, nil
}
