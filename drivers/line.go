package drivers

import (
	"bytes"
	"strings"
)

// Driver line: a signed decimal number on a line, perhaps with a channel before it and a unit after
// it. The line ends with CR and LF, any number of each in any order.
//
//	+12.7003 mm<CR><LF>        sdd.dddd_uu
//	A-0.0044<CR>               csd.dddd
//	1: 12,7003 mm<LF>          c:_dd,dddd_uu    (decimal comma)
//	25.4000;12.7003<CR><LF>    several values, named by their position
//
//	c  channel mark            s  sign: + - or none, blanks may follow it
//	d  digits, blanks before   .  decimal point, or comma if so set
//	u  unit: mm in inch " um uin deg degC, in any case
//
// A word in place of the number makes the line a reject. See wordReason for the known words.
//
// A line has no check and often no fixed length. So the end of a line that was cut, such as 2.7003
// of 12.7003, looks like a whole line. For this reason the text after opening, or after a line that
// broke off in silence, is not believed. Text is believed again after a line end, or after a
// silence as long as the option quiet. So a whole value from the button of a gauge that was silent
// before is taken, and the first line of a gauge that streams is not. Where every line has the same
// length, state it in the option length. Then a cut line is noticed by its length.
func lineDriver() Driver {
	return Driver{
		Name:    "line",
		Help:    "signed decimal number on a line, with or without channel and unit",
		Line:    Serial{9600, 8, "none", 1},
		Options: lineOptions(),
		New:     newLine,
	}
}

func lineOptions() []Option {
	return []Option{
		{"decimal", "decimal mark", "point", []string{"point", "comma"}},
		{"separator", "what parts several values on a line", "none", []string{"none", "comma", "semicolon", "tab", "blank"}},
		{"fields", "names of the values by position, such as depth,size; - leaves one out", "", nil},
		{"channels", "channel marks that stand before a number, such as A,B or 1,2; others are refused", "", nil},
		{"prefix", `text that each line begins with; \x02 and the like are bytes`, "", nil},
		{"unit", "unit the gauge is set to, one or one for each field: given to numbers sent without, and others are refused", "", nil},
		{"sign", "whether each number has a sign", "optional", []string{"optional", "always"}},
		{"places", "decimal places of each number; -1 for any", "-1", nil},
		{"length", "length of each line without its end; 0 for any", "0", nil},
		{"over", "more words that mean over range", "", nil},
		{"fault", "more words that mean a fault of the gauge", "", nil},
		{"quiet", "silence after which the next byte begins a line", "300ms", nil},
	}
}

// skipField is the name of a field that is left out.
const skipField = "-"

type lineDecoder struct {
	splitter
	form lineForm
}

func newLine(o Options) (Decoder, error) {
	r := &optionReader{options: o}
	d := &lineDecoder{form: readLineForm(r)}
	d.quiet = readQuiet(r)
	d.fixed = d.form.length > 0
	return d, r.err()
}

// Decode implements Decoder.
func (d *lineDecoder) Decode(frame []byte, out []Sample) ([]Sample, error) {
	if d.fault != "" {
		return out, d.takeFault()
	}
	return d.form.decode(frame, out)
}

// lineForm describes the text of a line.
type lineForm struct {
	mark      byte // decimal mark
	separator byte // 0: none
	fields    []string
	channels  []string
	units     []Unit // one for each field or channel
	prefix    []byte
	signed    bool
	places    int // -1: any
	length    int // 0: any
	words     []word
}

// word is a text that may stand in place of the number, with its meaning.
type word struct {
	text   string
	reason Reason
}

func readLineForm(r *optionReader) lineForm {
	f := lineForm{
		mark:      map[string]byte{"point": '.', "comma": ','}[r.text("decimal")],
		separator: map[string]byte{"comma": ',', "semicolon": ';', "tab": '\t', "blank": ' '}[r.text("separator")],
		fields:    r.names("fields"),
		channels:  r.names("channels"),
		prefix:    r.bytes("prefix"),
		signed:    r.is("sign", "always"),
		places:    r.number("places", -1, maxPlaces),
		length:    r.number("length", 0, maxLine),
	}
	f.words = readWords(r)
	switch {
	case f.separator == f.mark:
		r.fault("separator", "comma parts the values and is the decimal mark too; set the gauge to a decimal point or to another separator")
	case f.separator == 0 && len(f.fields) > 1:
		r.fault("separator", "none, but there are %d fields; say what parts them", len(f.fields))
	case f.separator != 0 && f.fields == nil && f.channels == nil:
		r.fault("fields", "name the values that the separator parts")
	case f.fields != nil && f.channels != nil:
		r.fault("fields", "values have either names by position or channel marks, not both")
	}
	for _, c := range f.channels {
		if strings.ContainsAny(c, " \t:=+-.,;\"") {
			r.fault("channels", "%q: a mark is letters and digits", c)
		}
	}
	if f.fields != nil && strings.Count(strings.Join(f.fields, ""), skipField) == len(f.fields) {
		r.fault("fields", "all are left out")
	}
	f.units = r.units("unit", max(1, len(f.fields), len(f.channels)))
	return f
}

func readWords(r *optionReader) (words []word) {
	for _, w := range r.list("over") {
		words = append(words, word{w, OverRange})
	}
	for _, w := range r.list("fault") {
		words = append(words, word{w, GaugeError})
	}
	return words
}

// decode reads one line, without its line end.
func (f *lineForm) decode(frame []byte, out []Sample) ([]Sample, error) {
	switch {
	case f.length > 0 && len(frame) < f.length:
		return out, TooShort
	case len(frame) > maxLine || (f.length > 0 && len(frame) > f.length):
		return out, TooLong
	case len(f.prefix) > 0 && !bytes.HasPrefix(frame, f.prefix):
		return out, Noise
	}
	rest := frame[len(f.prefix):]
	n := len(out)
	for i := 0; ; i++ {
		field, after, more := f.next(rest)
		if i >= len(f.fields) && i > 0 && f.channels == nil {
			return out[:n], TooLong
		}
		if f.fields == nil || f.fields[i] != skipField {
			s, fault := f.value(field, i)
			if fault != "" {
				return out[:n], fault
			}
			s.Raw = frame
			out = append(out, s)
		}
		if !more {
			if i+1 < len(f.fields) {
				return out[:n], TooShort
			}
			return out, nil
		}
		rest = after
	}
}

// next separates the first field from the rest of a line.
func (f *lineForm) next(b []byte) (field, rest []byte, more bool) {
	switch f.separator {
	case 0:
		return trimBlanks(b), nil, false
	case ' ':
		return nextBlank(trimBlanks(b))
	case '\t':
		b = bytes.Trim(b, " ")
	}
	i := bytes.IndexByte(b, f.separator)
	if i < 0 {
		return trimBlanks(b), nil, false
	}
	return trimBlanks(b[:i]), b[i+1:], true
}

// nextBlank separates a field that ends at a blank from the rest. A unit after the number belongs
// to the field.
func nextBlank(b []byte) (field, rest []byte, more bool) {
	word := func(b []byte) int {
		if i := bytes.IndexAny(b, " \t"); i >= 0 {
			return i
		}
		return len(b)
	}
	end := word(b)
	rest = trimBlanks(b[end:])
	if u, ok := parseUnit(rest[:word(rest)]); ok && u != NoUnit {
		end = len(b) - len(rest) + word(rest)
		rest = trimBlanks(b[end:])
	}
	return b[:end], rest, len(rest) > 0
}

// value reads one field: the channel, the number and the unit.
func (f *lineForm) value(b []byte, i int) (s Sample, fault Reason) {
	if len(b) == 0 {
		return s, NoNumber
	}
	unit := f.units[min(i, len(f.units)-1)]
	if f.fields != nil {
		s.Channel = f.fields[i]
	}
	if f.channels != nil {
		var c int
		if c, b = f.channel(b); c < 0 {
			return s, BadChannel
		}
		s.Channel, unit = f.channels[c], f.units[c]
	}
	negative, signed, rest := scanSign(b)
	for len(rest) > 0 && rest[0] == ' ' {
		rest = rest[1:]
	}
	s.Digits, s.Places, rest, fault = scanDigits(rest, f.mark)
	if fault != "" {
		return s, f.notNumber(b, fault)
	}
	if negative {
		s.Digits = -s.Digits
	}
	switch {
	case f.signed && !signed:
		return s, TooShort
	case f.places >= 0 && s.Places < f.places:
		return s, TooShort
	case f.places >= 0 && s.Places > f.places:
		return s, TooLong
	}
	s.Unit, fault = readUnit(rest, unit)
	return s, fault
}

// readUnit reads the unit that follows a number. want is the unit that the gauge is set to, or
// NoUnit if that is not known.
func readUnit(b []byte, want Unit) (Unit, Reason) {
	for len(b) > 0 && isBlank(b[0]) {
		b = b[1:]
	}
	if len(b) == 0 {
		return want, ""
	}
	u, ok := parseUnit(b)
	switch {
	case ok && (want == NoUnit || u == want):
		return u, ""
	case ok:
		return u, OtherUnit
	case isPrintable(b) && !bytes.ContainsAny(b, "0123456789.,+-"):
		return u, UnknownUnit
	}
	return u, Noise
}

// channel removes a channel mark from the start of a field. It returns the index of the channel in
// the list, or -1 if there is no mark. A mark that ends in a digit must be separated from the
// number.
func (f *lineForm) channel(b []byte) (int, []byte) {
	for i, c := range f.channels {
		if len(b) <= len(c) || string(b[:len(c)]) != c {
			continue
		}
		rest := b[len(c):]
		parted := rest[0] == '+' || rest[0] == '-'
		for len(rest) > 0 && (isBlank(rest[0]) || rest[0] == ':' || rest[0] == '=') {
			parted, rest = true, rest[1:]
		}
		if parted || (!isDigit(c[len(c)-1]) && !isLetter(rest[0])) {
			return i, rest
		}
	}
	return -1, b
}

func isLetter(c byte) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' }

// notNumber says why there is no number in a field.
func (f *lineForm) notNumber(b []byte, fault Reason) Reason {
	if fault == TooLarge {
		return fault
	}
	for _, w := range f.words {
		if strings.EqualFold(w.text, string(b)) {
			return w.reason
		}
	}
	for end := len(b); end > 0; end-- { // a unit may follow a word
		if end < len(b) && !isBlank(b[end]) {
			continue
		}
		if u, ok := parseUnit(trimBlanks(b[end:])); end == len(b) || (ok && u != NoUnit) {
			if r := wordReason(trimBlanks(b[:end])); r != "" {
				return r
			}
		}
	}
	if isPrintable(b) {
		return NoNumber
	}
	return Noise
}

func isPrintable(b []byte) bool {
	for _, c := range b {
		if (c < ' ' && c != '\t') || c > '~' {
			return false
		}
	}
	return true
}
