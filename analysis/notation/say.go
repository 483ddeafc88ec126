// Package notation writes sizes, deviations, depths and phrases for a reader: in the
// reader's unit, with the reader's decimal sign, and in the reader's language. It is the
// only place where a length becomes text and a code becomes a sentence. The English texts
// are in en.txt.
package notation

import (
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
)

// Text writes the phrase of a code with its values; see [analysis.Say].
func (f Format) Text(code string, args ...any) string { return f.Say(analysis.Say(code, args...)) }

// Say writes a phrase. In a format with tenths of a thou it writes millionths if no
// deviation in the phrase comes to a tenth. All deviations of a phrase are thus in one
// unit. A phrase without a code is written as its own text. An unknown code is written as
// the code and its values, in brackets. If a phrase has fewer values than its text needs,
// each gap is marked.
func (f Format) Say(p analysis.Phrase) string {
	f.Fine = f.Fine || !tenths(&p)
	return f.write(&p)
}

func (f Format) write(p *analysis.Phrase) string {
	if p.Code == "" {
		return p.Text
	}
	return f.language().say(f, p)
}

func (f Format) language() *Language {
	if f.Language == nil {
		return English()
	}
	return f.Language
}

// Tag returns the tag of the format's language, such as "en".
func (f Format) Tag() string { return f.language().Tag }

// SayAll writes phrases one after the other, with a space between them. It leaves out
// empty ones.
func (f Format) SayAll(ps ...analysis.Phrase) string {
	parts := make([]string, 0, len(ps))
	for _, p := range ps {
		if s := f.Say(p); s != "" {
			parts = append(parts, s)
		}
	}
	return strings.Join(parts, " ")
}

// Error writes an error for a person. It writes phrases in the reader's language, also
// phrases that the error wraps or joins. It leaves all other text as it is.
func (f Format) Error(err error) string {
	text, within := err.Error(), []error(nil)
	switch e := err.(type) {
	case analysis.Phrase:
		return f.Say(e)
	case interface{ Unwrap() error }:
		within = append(within, e.Unwrap())
	case interface{ Unwrap() []error }:
		within = e.Unwrap()
	}
	for _, e := range within {
		if e != nil {
			text = strings.Replace(text, e.Error(), f.Error(e), 1)
		}
	}
	return text
}

// tenths reports whether any deviation in the phrase comes to a tenth of a thou, 2.54 µm.
func tenths(p *analysis.Phrase) bool {
	for i := range p.Args {
		switch a := &p.Args[i]; {
		case a.Is == analysis.IsDeviation && a.UM != nil && analysis.Length(*a.UM).Abs() >= tenth, a.Phrase != nil && tenths(a.Phrase):
			return true
		}
	}
	return false
}

// value writes a value of a phrase.
func (f Format) value(a *analysis.Arg) string {
	switch v := a.Typed().(type) {
	case analysis.Deviation:
		return f.deviation(v)
	case analysis.Fine:
		return f.Precise(analysis.Deviation(v))
	case analysis.Offset:
		if v > 0 {
			return "+" + f.Precise(analysis.Deviation(v))
		}
		return f.Precise(analysis.Deviation(v))
	case analysis.Size:
		return f.size(analysis.Length(v))
	case analysis.Length:
		return f.Depth(v)
	case analysis.Place:
		return f.Place(v)
	case analysis.Kelvin:
		return f.Decimal(analysis.Temperature(v).Degrees(), 1) + " K"
	case analysis.Angle, analysis.Temperature:
		return f.mark(fmt.Sprint(v))
	case time.Duration:
		return f.Span(v.Seconds())
	case time.Time:
		return f.Moment(v)
	case analysis.Day:
		return f.Day(time.Time(v))
	case analysis.Clock:
		return time.Time(v).Format("15:04")
	case analysis.Number:
		return f.Decimal(v.Value, v.Places)
	case analysis.Phrase:
		return f.write(&v)
	case nil:
		return "?"
	default: // a count, a name
		return fmt.Sprint(v)
	}
}

func (f Format) deviation(d analysis.Deviation) string {
	if !f.Full {
		return f.Some(d) + " " + f.SmallUnit()
	}
	o := f.Beside()
	own, other := f.Micro(d), o.Micro(d)
	if strings.Trim(own+other, "0.,") == "" { // nothing is told by writing it twice
		return own + " " + f.MicroUnit()
	}
	return own + " " + f.MicroUnit() + " (" + other + " " + o.MicroUnit() + ")"
}

func (f Format) size(l analysis.Length) string {
	if !f.Full {
		return f.Size(l)
	}
	o := f.Beside()
	return f.Digits(l) + " " + f.Large().String() + " (" + o.Digits(l) + " " + o.Large().String() + ")"
}

// Precise writes a deviation with its unit, ten times finer than [Format.Some] where the
// unit allows. Millionths stay whole, except in records, which have [Format.Micro].
func (f Format) Precise(d analysis.Deviation) string {
	l := analysis.Length(d)
	switch {
	case f.Full:
		return f.Micro(d) + " " + f.MicroUnit()
	case f.Inch && f.Fine:
		return f.mark(l.Format(analysis.UIN, 0)) + " " + f.SmallUnit()
	case f.Inch:
		return f.mark(l.Tenths(2)) + " " + f.SmallUnit()
	}
	return f.mark(l.Format(analysis.UM, 2)) + " " + f.SmallUnit()
}

// Span writes a span of time in the unit that is useful for it: ms below a second, s below
// two minutes, min below two hours, h below two days, else days.
func (f Format) Span(seconds float64) string {
	switch d := time.Duration(math.Abs(seconds) * float64(time.Second)).Round(time.Millisecond); {
	case d < time.Second:
		return strconv.Itoa(int(d.Milliseconds())) + " ms"
	case d < 2*time.Minute:
		return f.mark(trim(strconv.FormatFloat(d.Seconds(), 'f', 1, 64))) + " s"
	case d < 2*time.Hour:
		return strconv.Itoa(int(math.Ceil(d.Minutes()))) + " min"
	case d < 48*time.Hour:
		return strconv.Itoa(int(math.Ceil(d.Hours()))) + " h"
	default:
		return strconv.Itoa(int(math.Ceil(d.Hours()/24))) + " d"
	}
}

// Fill sets the text of every phrase in v that has a code but no text. It is for receivers
// without a catalogue. v must be a pointer. Fill looks into structs, into slices and behind
// pointers. Fill data before sharing them, because Fill writes to them.
func (f Format) Fill(v any) {
	f.whole = true // a program will read the texts
	f.fill(reflect.ValueOf(v))
}

func (f Format) fill(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			f.fill(v.Elem())
		}
	case reflect.Slice:
		if k := v.Type().Elem().Kind(); k == reflect.Struct || k == reflect.Pointer {
			for i := range v.Len() {
				f.fill(v.Index(i))
			}
		}
	case reflect.Struct:
		if v.Type() == phraseType {
			if p := v.Addr().Interface().(*analysis.Phrase); p.Text == "" && p.Code != "" {
				p.Text = f.Say(*p)
			}
			return
		}
		for i := range v.NumField() {
			switch x := v.Field(i); x.Kind() {
			case reflect.Pointer, reflect.Interface, reflect.Slice, reflect.Struct:
				if x.CanInterface() { // it is exported
					f.fill(x)
				}
			}
		}
	}
}

var phraseType = reflect.TypeFor[analysis.Phrase]()

// missing marks a value that a text needs and a phrase does not have.
const missing = "…"

// say writes a phrase in the language.
func (l *Language) say(f Format, p *analysis.Phrase) string {
	t, ok := l.texts[p.Code]
	if !ok || l.codes {
		return l.code(f, p)
	}
	var b strings.Builder
	for _, piece := range t.pieces {
		b.WriteString(piece.before)
		if piece.arg < 0 {
			continue
		}
		if piece.arg >= len(p.Args) {
			b.WriteString(missing)
			continue
		}
		a := &p.Args[piece.arg]
		switch {
		case piece.many == "" && piece.one == "":
			b.WriteString(f.value(a))
		case a.N != nil && *a.N == 1:
			b.WriteString(strings.ReplaceAll(piece.one, "#", "1"))
		default:
			b.WriteString(strings.ReplaceAll(piece.many, "#", grouped(f.value(a))))
		}
	}
	return b.String()
}

// grouped sets the digits of a count apart by threes if there are five or more, with the space of
// ISO 80000-1:2022, 7.3.2, which does not break a line. A number that names a thing, such as a row
// of the journal, is not grouped.
func grouped(count string) string {
	if len(count) < 5 || strings.Trim(count, "0123456789") != "" {
		return count
	}
	for i := len(count) - 3; i > 0; i -= 3 {
		count = count[:i] + "\u202f" + count[i:]
	}
	return count
}

// code writes the code and the values of a phrase, in brackets.
func (l *Language) code(f Format, p *analysis.Phrase) string {
	parts := make([]string, 0, len(p.Args)+1)
	parts = append(parts, p.Code)
	for i := range p.Args {
		parts = append(parts, f.value(&p.Args[i]))
	}
	return fmt.Sprintf("⟦%s⟧", strings.Join(parts, " "))
}
