package drivers

import (
	"regexp"
	"slices"
	"strings"
)

// Driver pattern: any line whose parts a regular expression can name. It is for gauges that no
// other driver reads.
//
//	ID07 D=+12.7003mm OK<CR><LF>     ID\d+ D=(?P<value>[+-]\d+\.\d+)(?P<unit>mm|in) OK
//
// The groups are value, unit and channel. The groups unit and channel may be missing. With several
// values, the names of the groups hold the channel: value_depth, unit_depth, value_size, unit_size.
// The expression must match the whole line. A value must be a decimal number, or a word that says
// why there is no number.
//
// The syntax is that of RE2 (golang.org/s/re2syntax), whose time is proportional to the length of
// the line for every expression. A line has at most 256 bytes. The first line after opening is
// doubted as driver line doubts it. Unlike the other decoders, this one allocates a slice for the
// match of each frame.
func patternDriver() Driver {
	return Driver{
		Name: "pattern",
		Help: "a line of any kind, read by a regular expression",
		Line: Serial{9600, 8, "none", 1},
		Options: []Option{
			{"expression", "regular expression of a whole line, with the groups value, unit and channel, or value_NAME and unit_NAME", `\s*(?P<value>[+-]?\d*[.]?\d+)\s*(?P<unit>\S*)\s*`, nil},
			{"decimal", "decimal mark", "point", []string{"point", "comma"}},
			{"unit", "unit the gauge is set to: given to numbers sent without, and others are refused", "", nil},
			{"channels", "channels that are taken; others are refused; all if empty", "", nil},
			{"over", "more words in the number's place that mean over range", "", nil},
			{"fault", "more words in the number's place that mean a fault of the gauge", "", nil},
			{"quiet", "silence after which the next byte begins a line", "300ms", nil},
		},
		New: newPattern,
	}
}

// maxExpression is the longest expression, in bytes. It bounds the size of the machine that
// matches.
const maxExpression = 500

type pattern struct {
	splitter
	expression *regexp.Regexp
	values     []patternValue
	channelAt  int // number of the group of the channel, 0 if there is none
	channels   []string
	form       lineForm // the form of a value
}

// patternValue holds the groups of one value.
type patternValue struct {
	channel string
	at      int // number of the group of the value
	unitAt  int // number of the group of the unit, 0 if there is none
}

func newPattern(o Options) (Decoder, error) {
	r := &optionReader{options: o}
	d := &pattern{channels: r.names("channels")}
	d.quiet = readQuiet(r)
	d.form = lineForm{mark: '.', units: r.units("unit", 1), words: readWords(r), places: -1}
	if r.is("decimal", "comma") {
		d.form.mark = ','
	}
	d.compile(r)
	return d, r.err()
}

func (d *pattern) compile(r *optionReader) {
	text := r.text("expression")
	if len(text) > maxExpression {
		r.fault("expression", "longer than %d bytes", maxExpression)
		return
	}
	if _, err := regexp.Compile(text); err != nil { // so that the error shows the user's own text
		r.fault("expression", "%v", err)
		return
	}
	d.expression = regexp.MustCompile(`\A(?:` + text + `)\z`)
	for i, name := range d.expression.SubexpNames() {
		kind, channel, _ := strings.Cut(name, "_")
		switch {
		case kind == "value":
			d.values = append(d.values, patternValue{channel: channel, at: i, unitAt: max(0, d.expression.SubexpIndex(strings.Replace(name, "value", "unit", 1)))})
		case name == "channel":
			d.channelAt = i
		case name != "" && kind != "unit":
			r.fault("expression", "group %s is not valid: give value, unit or channel, or value_NAME and unit_NAME", name)
		}
	}
	if len(d.values) == 0 {
		r.fault("expression", "no group (?P<value>...)")
	}
	if d.channelAt > 0 && len(d.values) > 1 {
		r.fault("expression", "a group channel goes with one group value")
	}
}

// Decode implements Decoder.
func (d *pattern) Decode(frame []byte, out []Sample) ([]Sample, error) {
	if d.fault != "" {
		return out, d.takeFault()
	}
	if len(frame) > maxLine {
		return out, TooLong
	}
	m := d.expression.FindSubmatchIndex(frame)
	if m == nil {
		return out, d.unmatched(frame)
	}
	group := func(i int) []byte {
		if i == 0 || m[2*i] < 0 {
			return nil
		}
		return frame[m[2*i]:m[2*i+1]]
	}
	n := len(out)
	for _, v := range d.values {
		s, fault := d.value(group(v.at), group(v.unitAt))
		s.Channel, s.Raw = v.channel, frame
		if d.channelAt > 0 {
			s.Channel = string(group(d.channelAt))
		}
		if fault == "" && d.channels != nil && !slices.Contains(d.channels, s.Channel) {
			fault = BadChannel
		}
		if fault != "" {
			return out[:n], fault
		}
		out = append(out, s)
	}
	return out, nil
}

// unmatched returns why a line does not match the expression.
func (d *pattern) unmatched(frame []byte) Reason {
	if r := d.form.notNumber(trimBlanks(frame), Noise); r != NoNumber {
		return r
	}
	return Noise
}

func (d *pattern) value(number, unit []byte) (Sample, Reason) {
	number = trimBlanks(number)
	if len(number) == 0 {
		return Sample{}, NoNumber
	}
	s, fault := d.form.value(number, 0)
	if fault == "" && len(unit) > 0 {
		s.Unit, fault = readUnit(unit, d.form.units[0])
	}
	return s, fault
}
