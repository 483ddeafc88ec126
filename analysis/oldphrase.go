package analysis

import (
	"fmt"
	"strconv"
	"strings"
)

// Count writes a number of things: "1 part", "2 parts".
func Count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// OldPhrase is a sentence whose lengths are kept as values, so that each reader can
// have it in his own unit: Text has "{}" where the next of Values is to stand.
type OldPhrase struct {
	Text   string `json:"text"`
	Values []Said `json:"values,omitempty"`
}

// Said is a length in a phrase, and how it is said.
type Said struct {
	As    Manner    `json:"as"`
	Value Deviation `json:"um"`
}

// Manner is how a length is said.
type Manner string

// The manners. Small is an error, a stock, a room: µm to one place, in inches
// tenths of a thou to one place, or millionths, with as many places more as it takes
// where something would be said as nothing. Fine is finer by ten, as a rate of
// removal a stroke is. Deep is a depth in the bore.
const (
	Small Manner = "small"
	Fine  Manner = "fine"
	Deep  Manner = "depth"
)

// FineLength is a length that [Sayf] is to say as Fine.
type FineLength Deviation

// hole is where a value stands in the text of a phrase.
const hole = "{}"

// Sayf makes a phrase as [fmt.Sprintf] makes a text. A Deviation is kept as Small, a
// Length as Deep, a FineLength as Fine, a Place with its depth, a OldPhrase with all
// that it holds; each takes a %s, in the order of the text.
func Sayf(format string, args ...any) OldPhrase {
	var p OldPhrase
	keep := func(as Manner, v Deviation) string {
		p.Values = append(p.Values, Said{as, v})
		return hole
	}
	texts := make([]any, len(args))
	for i, arg := range args {
		switch v := arg.(type) {
		case Deviation:
			texts[i] = keep(Small, v)
		case FineLength:
			texts[i] = keep(Fine, Deviation(v))
		case Length:
			texts[i] = keep(Deep, Deviation(v))
		case Place:
			texts[i] = keep(Deep, Deviation(v.Depth)) + " / " + v.Angle.String()
		case OldPhrase:
			texts[i] = v.Text
			p.Values = append(p.Values, v.Values...)
		case string: // a name that looks like a hole must not take a value
			texts[i] = strings.ReplaceAll(v, hole, "()")
		default:
			texts[i] = arg
		}
	}
	p.Text = fmt.Sprintf(format, texts...)
	return p
}

// In says the phrase: MM or UM in µm and mm; IN in inches and tenths of a thou, or
// in millionths where none of its errors and stocks comes to a tenth, so that what
// is read together is in one unit; UIN always in millionths. A phrase that came
// from elsewhere with too few values keeps its holes.
func (p OldPhrase) In(u Unit) string {
	if u == IN && !p.tenths() {
		u = UIN
	}
	var b strings.Builder
	text := p.Text
	for _, v := range p.Values {
		before, after, found := strings.Cut(text, hole)
		if !found {
			break
		}
		b.WriteString(before)
		b.WriteString(v.in(u))
		text = after
	}
	b.WriteString(text)
	return b.String()
}

// tenths reports whether a small value comes to a tenth of a thou, 2.54 µm.
func (p OldPhrase) tenths() bool {
	for _, v := range p.Values {
		if v.As == Small && Length(v.Value).Abs() >= Thou/10 {
			return true
		}
	}
	return false
}

func (s Said) in(u Unit) string {
	l := Length(s.Value)
	switch {
	case s.As == Deep && u.Inch():
		return l.Format(IN, 2) + " in"
	case s.As == Deep:
		return trimZeros(l.Format(MM, 2)) + " mm"
	case u == IN && s.As == Fine:
		return l.Tenths(2) + " tenths"
	case u == IN:
		return l.TenthsSome(1) + " tenths"
	case u.Inch() && s.As == Fine:
		return l.Format(UIN, 0) + " millionths"
	case u.Inch():
		return l.FormatSome(UIN, 0) + " millionths"
	case s.As == Fine:
		return l.Format(UM, 2) + " µm"
	}
	return l.FormatSome(UM, 1) + " µm"
}
