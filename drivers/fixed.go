package drivers

import (
	"bytes"
	"math"
	"strings"
)

// Driver fixed: the parts of a number stand in fixed columns. The option layout is a picture of the
// frame, with one letter for each column:
//
//	+012.7003 mm<CR>         sddd.dddd_uu
//	<STX>A-0127003E0<ETX>    \x02csdddvddddut\x03      (end none)
//	 0127003,1*5C<CR><LF>    sdddvdddd,t*hh            (check xor)
//
//	s  sign: + - or a blank, which is plus    u  unit, as text or by code
//	d  digit; leading digits may be blank;    t  status, by code
//	   where the layout has no s, a sign      c  channel
//	   may stand before the first digit       h  check, two hex digits
//	.  decimal point, sent                    _  blank
//	,  decimal comma, sent, if between digits *  anything
//	v  decimal point, not sent: no column     others stand for themselves
//
// Write a letter that stands for itself as \x and two hex digits. \* \_ \, and the like stand for
// the character after the \.
//
// Every frame has the length of the layout, so a frame that was cut or that lost a byte is noticed.
// Frames end by CR, LF or both. With end none, frames follow each other without a line end. Then
// the first column must be a control character, such as \x02, that is nowhere else in the frame.
func fixedDriver() Driver {
	return Driver{
		Name:    "fixed",
		Help:    "number whose sign, digits, unit and status stand in fixed columns",
		Line:    Serial{4800, 7, "even", 2},
		Options: fixedOptions(),
		New:     newFixed,
	}
}

func fixedOptions() []Option {
	return []Option{
		{"layout", `one letter for each column: s sign, d digit, . or v point, u unit, t status, c channel, h check, _ blank, * any`, "sddd.dddd_uu", nil},
		{"end", "what ends a frame: line (CR, LF or both), or none", "line", []string{"line", "none"}},
		{"units", "unit codes, such as 0=mm,1=in; without, the unit is text such as mm", "", nil},
		{"unit", "unit the gauge is set to: given to frames without a unit, and others are refused", "", nil},
		{"status", "status codes, each ok, over or fault, such as _=ok,O=over,E=fault; _ is a blank", "", nil},
		{"channels", "channels that are taken, such as A,B; others are refused", "", nil},
		{"check", "what the check digits are: xor or sum of the bytes before them, modulo 256", "none", []string{"none", "xor", "sum"}},
		{"check-from", "bytes at the beginning that the check leaves out", "0", nil},
		{"over", "more words in the number's place that mean over range", "", nil},
		{"fault", "more words in the number's place that mean a fault of the gauge", "", nil},
		{"quiet", "silence after which an unfinished frame is given up", "300ms", nil},
	}
}

// column is one column of a layout: a letter, or a byte that stands for itself.
type column struct {
	kind byte // one of sd.utch_*, or '=' for a byte that stands for itself
	self byte
}

// span is a run of columns of one kind.
type span struct{ from, to int }

func (s span) width() int { return s.to - s.from }

func (s span) of(frame []byte) []byte { return frame[s.from:s.to] }

type fixed struct {
	splitter
	columns   []column
	places    int
	number    span
	unit      span
	status    span
	channel   span
	checkAt   span
	signed    bool // there is a sign column
	want      Unit
	units     map[string]Unit
	codes     map[string]Reason
	channels  []string
	check     string
	checkFrom int
	lined     bool
	words     []word
}

func newFixed(o Options) (Decoder, error) {
	r := &optionReader{options: o}
	d := &fixed{check: r.text("check"), lined: r.is("end", "line"), channels: r.names("channels"), want: r.units("unit", 1)[0]}
	d.quiet, d.splitter.fixed, d.words = readQuiet(r), true, readWords(r)
	d.readLayout(r)
	d.readCodes(r)
	d.checkFrom = r.number("check-from", 0, maxLine)
	d.verify(r)
	return d, r.err()
}

// Checked implements Checker.
func (d *fixed) Checked() bool { return d.check != "none" }

// Split implements Decoder.
func (d *fixed) Split(data []byte, idle bool) (advance int, frame []byte) {
	if d.lined {
		return d.splitter.Split(data, idle)
	}
	start := bytes.IndexByte(data, d.columns[0].self)
	switch {
	case start < 0:
		return len(data), nil
	case start > 0:
		return start, nil
	}
	end := min(len(data), len(d.columns))
	if again := bytes.IndexByte(data[1:end], d.columns[0].self); again >= 0 {
		return again + 1, data[:again+1]
	}
	if end == len(d.columns) || (idle && end > 0) {
		return end, data[:end]
	}
	return 0, nil
}

// Decode implements Decoder.
func (d *fixed) Decode(frame []byte, out []Sample) ([]Sample, error) {
	if d.fault != "" {
		return out, d.takeFault()
	}
	switch {
	case len(frame) < len(d.columns):
		return out, TooShort
	case len(frame) > len(d.columns):
		return out, TooLong
	}
	for i, c := range d.columns {
		if (c.kind == '=' && frame[i] != c.self) || (c.kind == '_' && frame[i] != ' ') {
			return out, Noise
		}
	}
	if !d.agrees(frame) {
		return out, CheckFailed
	}
	s := Sample{Places: d.places, Raw: frame}
	fault := d.readStatus(frame)
	if fault == "" {
		fault = d.readChannel(&s, frame)
	}
	if fault == "" {
		fault = d.readNumber(&s, frame)
	}
	if fault == "" {
		fault = d.readUnit(&s, frame)
	}
	if fault != "" {
		return out, fault
	}
	return append(out, s), nil
}

// agrees compares the check digits with the bytes before them.
func (d *fixed) agrees(frame []byte) bool {
	if d.check == "none" {
		return true
	}
	var sum byte
	for _, c := range frame[d.checkFrom:d.checkAt.from] {
		if d.check == "xor" {
			sum ^= c
		} else {
			sum += c
		}
	}
	high, low := hexDigit(frame[d.checkAt.from]), hexDigit(frame[d.checkAt.from+1])
	return high <= 15 && low <= 15 && high<<4|low == sum
}

// hexDigit returns the value of a hex digit, or 255 if c is not a hex digit.
func hexDigit(c byte) byte {
	switch {
	case isDigit(c):
		return c - '0'
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10
	case c >= 'a' && c <= 'f':
		return c - 'a' + 10
	}
	return 255
}

func (d *fixed) readStatus(frame []byte) Reason {
	if d.status.to == 0 {
		return ""
	}
	reason, known := d.codes[string(d.status.of(frame))]
	if !known {
		return Noise
	}
	return reason
}

func (d *fixed) readChannel(s *Sample, frame []byte) Reason {
	if d.channel.to == 0 {
		return ""
	}
	for _, c := range d.channels {
		if c == string(d.channel.of(frame)) {
			s.Channel = c
			return ""
		}
	}
	return BadChannel
}

// readNumber reads the sign and the digits, each in its column.
func (d *fixed) readNumber(s *Sample, frame []byte) Reason {
	negative, begun, any := false, false, false
	number := d.number.of(frame)
	for i, c := range number {
		switch col := d.columns[d.number.from+i]; {
		case col.kind == '.' && c == col.self:
			begun = true
		case col.kind == 's' && strings.IndexByte("+- ", c) >= 0:
			negative = c == '-'
		case col.kind == 'd' && c == ' ' && !begun:
		case col.kind == 'd' && (c == '-' || c == '+') && !begun && !d.signed:
			negative, begun = c == '-', true
		case col.kind != 'd' || !isDigit(c):
			return d.notNumber(number)
		case s.Digits > (math.MaxInt64-int64(c-'0'))/10:
			return TooLarge
		default:
			s.Digits, begun, any = s.Digits*10+int64(c-'0'), true, true
		}
	}
	if !any {
		return d.notNumber(number)
	}
	if negative {
		s.Digits = -s.Digits
	}
	return ""
}

func (d *fixed) notNumber(b []byte) Reason {
	b = trimBlanks(b)
	for _, w := range d.words {
		if strings.EqualFold(w.text, string(b)) {
			return w.reason
		}
	}
	if r := wordReason(b); r != "" {
		return r
	}
	if isPrintable(b) {
		return NoNumber
	}
	return Noise
}

func (d *fixed) readUnit(s *Sample, frame []byte) (fault Reason) {
	text := d.unit.of(frame)
	if len(d.units) == 0 {
		s.Unit, fault = readUnit(text, d.want)
		if fault == Noise {
			fault = UnknownUnit
		}
		return fault
	}
	u, known := d.units[string(text)]
	switch {
	case !known:
		return UnknownUnit
	case d.want != NoUnit && u != d.want:
		return OtherUnit
	}
	s.Unit = u
	return ""
}
