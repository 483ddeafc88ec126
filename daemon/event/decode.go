package event

import (
	"bytes"
	"encoding/json"
	"math"
	"strconv"
	"time"
	"unicode/utf8"

	"fairbore/analysis"
)

// Decode returns the event that encoding/json reads from a text.
func Decode(text []byte) (Event, error) { return new(Decoder).Decode(text) }

// Decoder reads many events. Nearly all events of a journal are readings as [Event.AppendJSON]
// writes them; those are read by hand, in a fifth of the time. Any other text, one with members in
// another order for example, is left to encoding/json. A Decoder is for one goroutine.
type Decoder struct {
	// names are texts that were read, by their slot. Most come again in the next event.
	names [64]string
}

// Decode returns the event that encoding/json reads from a text.
func (d *Decoder) Decode(text []byte) (e Event, err error) {
	p := parser{text: text, names: &d.names}
	if p.event(&e); !p.failed && len(p.text) == 0 {
		return e, nil
	}
	e = Event{}
	err = json.Unmarshal(text, &e)
	return e, err
}

// parser reads JSON with members in a known order. It reads a part of what encoding/json reads, and
// reads that in the same way.
type parser struct {
	text   []byte // what is left
	failed bool
	names  *[64]string
}

func (p *parser) event(e *Event) {
	p.must(`{"station":`)
	e.Station = p.string()
	p.must(`,"at":`)
	e.At = p.time()
	p.must(`,"kind":`)
	e.Kind = Kind(p.string())
	p.maybe(`,"source":`, &e.Source)
	p.maybe(`,"command":`, &e.Command)
	p.maybe(`,"person":`, &e.Person)
	e.Simulated = p.has(`,"simulated":true`)
	if p.must(`,"reading":`); p.failed {
		return
	}
	e.Reading = &Reading{}
	p.reading(e.Reading)
	p.maybe(`,"note":`, &e.Note)
	p.must(`}`)
}

func (p *parser) reading(r *Reading) {
	p.must(`{"no":`)
	r.No = int(p.int())
	p.must(`,"job":`)
	r.Job = p.string()
	p.must(`,"part":`)
	r.Part = p.string()
	p.must(`,"depth_mm":`)
	r.Depth = p.length()
	p.must(`,"angle_deg":`)
	r.Angle = p.angle()
	p.must(`,"round":`)
	r.Round = int(p.int())
	p.must(`,"size_mm":`)
	r.Size = p.length()
	p.maybeDeviation(`,"capture_u_um":`, &r.U)
	p.must(`,"at":`)
	r.At = p.time()
	p.must(`,"deviation_um":`)
	r.Deviation = p.deviation()
	p.must(`,"gauge":`)
	r.Gauge = p.string()
	p.maybe(`,"channel":`, &r.Channel)
	p.must(`,"how":`)
	r.How = p.string()
	if p.has(`,"turns":`) {
		r.Turns = int(p.int())
	}
	p.maybeFloat(`,"motion":`, &r.Motion)
	p.maybeFloat(`,"motion_spread":`, &r.MotionSpread)
	p.maybeFloat(`,"motion_slope":`, &r.MotionSlope)
	p.must(`,"sent":`)
	p.sent(&r.Sent)
	p.must(`,"raw_mm":`)
	r.Raw = p.length()
	p.must(`,"zero_um":`)
	r.Zero = p.deviation()
	p.maybeDeviation(`,"thermal_um":`, &r.Thermal)
	p.maybeDeviation(`,"indentation_um":`, &r.Indentation)
	p.maybe(`,"part_temperature_from":`, (*string)(&r.PartFrom))
	p.maybeDeviation(`,"excess_u_um":`, &r.ExcessU)
	r.Unexpected = p.has(`,"unexpected":true`)
	if p.has(`,"expected_mm":`) {
		r.Expected = p.length()
	}
	p.maybeDeviation(`,"expected_u_um":`, &r.ExpectedU)
	if p.has(`,"study":{"appraiser":`) {
		r.Study = &StudyTrial{Appraiser: p.string()}
		p.must(`,"trial":`)
		r.Study.Trial = int(p.int())
		p.must(`}`)
	}
	p.must(`,"mastered":`)
	r.Mastered = int(p.int())
	p.must(`}`)
}

func (p *parser) sent(s *Sent) {
	p.must(`{"digits":`)
	s.Digits = p.int()
	p.must(`,"places":`)
	s.Places = int(p.int())
	p.must(`,"unit":`)
	unit, err := analysis.ParseUnit(p.string())
	s.Unit = unit
	p.failed = p.failed || err != nil
	p.maybe(`,"frame":`, &s.Frame)
	s.Assumed = p.has(`,"assumed":true`)
	p.must(`}`)
}

// has takes what comes next, if it is that.
func (p *parser) has(next string) bool {
	if len(p.text) < len(next) || string(p.text[:len(next)]) != next {
		return false
	}
	p.text = p.text[len(next):]
	return true
}

func (p *parser) must(next string) {
	if !p.has(next) {
		p.failed = true
	}
}

func (p *parser) maybe(name string, to *string) {
	if p.has(name) {
		*to = p.string()
	}
}

func (p *parser) maybeDeviation(name string, to *analysis.Deviation) {
	if p.has(name) {
		*to = p.deviation()
	}
}

func (p *parser) maybeFloat(name string, to *float64) {
	if p.has(name) {
		*to = p.float()
	}
}

// quoted takes a string, and returns what is between its quotes. It may have backslashes that stand
// for one, and no others.
func (p *parser) quoted() (text []byte, escapes int) {
	if !p.has(`"`) {
		p.failed = true
		return nil, 0
	}
	for i := 0; i < len(p.text); i++ {
		switch c := p.text[i]; {
		case c == '"':
			text, p.text = p.text[:i], p.text[i+1:]
			return text, escapes
		case c == '\\' && i+1 < len(p.text) && p.text[i+1] == '\\':
			i, escapes = i+1, escapes+1
		case c < ' ', c == '\\':
			p.failed = true
			return nil, 0
		}
	}
	p.failed = true
	return nil, 0
}

func (p *parser) string() string {
	text, escapes := p.quoted()
	if len(text) == 0 {
		return ""
	}
	if escapes > 0 {
		text = bytes.ReplaceAll(text, []byte(`\\`), []byte(`\`))
	}
	name := &p.names[(int(text[0])+3*int(text[len(text)-1])+len(text))%len(p.names)]
	if *name == string(text) { // compared without a copy
		return *name
	}
	if !utf8.Valid(text) {
		p.failed = true
		return ""
	}
	*name = string(text)
	return *name
}

func (p *parser) time() (t time.Time) {
	text, escapes := p.quoted()
	if p.failed || escapes > 0 || t.UnmarshalText(text) != nil {
		p.failed = true
	}
	return t
}

// digitsMost is the largest number of digits of which a number can't be too large for an int64.
const digitsMost = 18

// number takes an integer, or a decimal number of at most that many places. It returns the number
// times 10 to the power of places.
func (p *parser) number(places int) (v int64) {
	negative := p.has(`-`)
	n := 0
	for n < len(p.text) && isDigit(p.text[n]) {
		v = 10*v + int64(p.text[n]-'0')
		n++
	}
	if n == 0 || n > 1 && p.text[0] == '0' || n+places > digitsMost {
		p.failed = true
		return 0
	}
	if p.text = p.text[n:]; places > 0 && p.has(`.`) {
		for n = 0; n < len(p.text) && isDigit(p.text[n]) && places > 0; n++ {
			v = 10*v + int64(p.text[n]-'0')
			places--
		}
		if p.text = p.text[n:]; n == 0 {
			p.failed = true
		}
	}
	// A number that goes on, with more places or an exponent, fails since what must follow is not there.
	for range places {
		v *= 10
	}
	if negative {
		v = -v
	}
	return v
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

func (p *parser) int() int64                    { return p.number(0) }
func (p *parser) length() analysis.Length       { return analysis.Length(p.number(7)) }
func (p *parser) deviation() analysis.Deviation { return analysis.Deviation(p.number(4)) }

func (p *parser) angle() analysis.Angle {
	v := p.number(3)
	if v < math.MinInt32 || v > math.MaxInt32 {
		p.failed = true
	}
	return analysis.Angle(v)
}

// float takes a number without an exponent.
func (p *parser) float() float64 {
	n := 0
	for n < len(p.text) && (isDigit(p.text[n]) || p.text[n] == '-' || p.text[n] == '.') {
		n++
	}
	text := p.text[:n]
	whole := parser{text: text} // holds the text to the form that JSON wants
	whole.has(`-`)
	digits := whole.digits()
	if digits == 0 || digits > 1 && text[len(text)-len(whole.text)-digits] == '0' || whole.has(`.`) && whole.digits() == 0 || len(whole.text) > 0 {
		p.failed = true
		return 0
	}
	v, err := strconv.ParseFloat(string(text), 64)
	p.failed = p.failed || err != nil
	p.text = p.text[n:]
	return v
}

// digits takes digits, and returns how many.
func (p *parser) digits() (n int) {
	for n < len(p.text) && isDigit(p.text[n]) {
		n++
	}
	p.text = p.text[n:]
	return n
}
