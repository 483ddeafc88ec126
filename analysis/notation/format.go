package notation

import (
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
)

// Format says how to write lengths and phrases for a reader, and to read what he types: in metric
// or inch units, with a decimal sign, and in a language. The zero value is metric, in English.
type Format struct {
	Inch bool
	Fine bool        // inch deviations are in millionths, not tenths
	Sign DecimalSign // the reader's own choice
	// Full is for records. Phrases then give sizes and deviations in both systems, deviations
	// ten times finer, and moments to the second with their zone.
	Full     bool
	Language *Language // nil: English
	whole    bool      // no mark sets the last digits of a size in inches apart
}

// DecimalSign is the sign before the decimal places.
type DecimalSign uint8

// The decimal signs. The zero value is that of the language.
const (
	UsualSign DecimalSign = iota
	Point
	Comma
)

// comma reports whether the decimal sign is a comma.
func (f Format) comma() bool {
	return f.Sign == Comma || f.Sign == UsualSign && f.language().locale.comma
}

// In returns the format of a unit. The unit is MM or UM, IN (deviations in tenths of a
// thou) or UIN (deviations in millionths).
func In(u analysis.Unit) Format { return Format{Inch: u.Inch(), Fine: u == analysis.UIN} }

// ForJob returns the format of a job's own unit. The unit of deviations stays the same all
// through the job. Without a job the format is metric.
func ForJob(j *analysis.Job) Format {
	if j == nil {
		return Format{}
	}
	return In(j.Speaks())
}

// Unit returns the unit of deviations, as a length.
func (f Format) Unit() analysis.Length {
	switch {
	case f.Inch && f.Fine:
		return analysis.MicroInch
	case f.Inch:
		return tenth
	}
	return analysis.Micrometre
}

func (f Format) mark(s string) string { return f.Marked(strings.Replace(s, "-", "−", 1)) }

// Marked returns a number that has a decimal point with the reader's decimal sign.
func (f Format) Marked(s string) string {
	if f.comma() {
		s = strings.Replace(s, ".", ",", 1)
	}
	return s
}

// tenth is a toolmaker's tenth: 0.0001 in.
const tenth = analysis.Thou / 10

// Small writes a deviation in [Format.SmallUnit], without the unit. Millionths are whole;
// other units have one decimal place.
func (f Format) Small(d analysis.Deviation) string {
	if f.Inch && f.Fine {
		return f.mark(analysis.Length(d).Format(analysis.UIN, 0))
	}
	if f.Inch {
		return f.mark(analysis.Length(d).Tenths(1))
	}
	return f.mark(analysis.Length(d).Format(analysis.UM, 1))
}

// Some writes a deviation like [Format.Small], but never writes 0 for a deviation other
// than 0. It adds as many places as that takes. It is for values where a 0 would mislead,
// such as the deviation over a limit, or the stock still to go.
func (f Format) Some(d analysis.Deviation) string {
	switch l := analysis.Length(d); {
	case f.Inch && f.Fine:
		return f.mark(l.FormatSome(analysis.UIN, 0))
	case f.Inch:
		return f.mark(l.TenthsSome(1))
	default:
		return f.mark(l.FormatSome(analysis.UM, 1))
	}
}

// Signed is [Format.Small] with a sign. Zero has no sign.
func (f Format) Signed(d analysis.Deviation) string { return plus(d, f.Small(d)) }

// SmallUnit returns the name of the unit of deviations: µm, tenths (of a thousandth of an
// inch) or millionths (of an inch).
func (f Format) SmallUnit() string {
	if f.Inch && f.Fine {
		return f.unit("unit.millionths")
	}
	if f.Inch {
		return f.unit("unit.tenths")
	}
	return "µm"
}

// unit returns the name of a unit, in English if the language has none. It is part of a value, so
// that codes do not stand for it.
func (f Format) unit(code string) string {
	l := f.language()
	if !l.Has(code) || l.codes {
		l = English()
	}
	return l.say(f, &analysis.Phrase{Code: code})
}

// Other writes a deviation in the two other units that a display shows below the main
// figure.
func (f Format) Other(d analysis.Deviation) string {
	l := analysis.Length(d)
	if f.Inch && f.Fine {
		return f.mark(l.Tenths(2)) + " " + f.unit("unit.tenths") + " · " + f.mark(l.Format(analysis.UM, 2)) + " µm"
	}
	if f.Inch {
		return f.mark(l.Format(analysis.UIN, 0)) + " " + f.unit("unit.millionths") + " · " + f.mark(l.Format(analysis.UM, 1)) + " µm"
	}
	return f.mark(l.Format(analysis.MM, 4)) + " mm · " + f.mark(l.Tenths(1)) + " " + f.unit("unit.tenths")
}

// Size writes a size with its unit: to 0.1 µm, or to a millionth of an inch. In inches a bar
// sets the last two digits apart, the hundredths of a tenth, because people say them apart.
func (f Format) Size(l analysis.Length) string {
	a, b := f.SizeParts(l)
	switch {
	case b != "" && f.whole:
		return a + b + " in"
	case b != "":
		return a + "|" + b + " in"
	}
	return a + " mm"
}

// SizeParts writes a size without its unit. For inches it returns the digits after the
// fourth decimal place separately, as tail.
func (f Format) SizeParts(l analysis.Length) (head, tail string) {
	s := f.Digits(l)
	if !f.Inch {
		return s, ""
	}
	return s[:len(s)-2], s[len(s)-2:]
}

// Large returns the unit of sizes.
func (f Format) Large() analysis.Unit {
	if f.Inch {
		return analysis.IN
	}
	return analysis.MM
}

// Digits writes a size without its unit: to 0.1 µm, or to a millionth of an inch.
func (f Format) Digits(l analysis.Length) string { return f.digits(l, 0) }

// Certified is [Format.Digits] with one more decimal place, as certificates have it.
func (f Format) Certified(l analysis.Length) string { return f.digits(l, 1) }

func (f Format) digits(l analysis.Length, more int) string {
	places := 4
	if f.Inch {
		places = 6
	}
	return f.mark(l.Format(f.Large(), places+more))
}

// Beside returns the format of the other system of units.
func (f Format) Beside() Format {
	f.Inch = !f.Inch
	return f
}

// Micro writes a deviation for records, without its unit: to 0.01 µm, or to a tenth of a
// millionth of an inch.
func (f Format) Micro(d analysis.Deviation) string {
	if f.Inch {
		return f.mark(analysis.Length(d).Format(analysis.UIN, 1))
	}
	return f.mark(analysis.Length(d).Format(analysis.UM, 2))
}

// SignedMicro is [Format.Micro] with a sign. Zero has no sign.
func (f Format) SignedMicro(d analysis.Deviation) string { return plus(d, f.Micro(d)) }

// MicroUnit returns the name of the unit of [Format.Micro].
func (f Format) MicroUnit() string {
	if f.Inch {
		return analysis.UIN.String()
	}
	return analysis.UM.String()
}

func plus(d analysis.Deviation, s string) string {
	if d > 0 && strings.Trim(s, "0.,") != "" {
		return "+" + s
	}
	return s
}

// Depth writes a depth with its unit.
func (f Format) Depth(l analysis.Length) string {
	if f.Inch {
		return f.mark(l.Format(analysis.IN, 2)) + " in"
	}
	return f.mark(trim(l.Format(analysis.MM, 2))) + " mm"
}

// Place writes a place with its units.
func (f Format) Place(p analysis.Place) string { return f.Depth(p.Depth) + " / " + p.Angle.String() }

// As writes a length in a unit to a number of decimal places, without the unit.
func (f Format) As(l analysis.Length, u analysis.Unit, places int) string {
	return f.mark(l.Format(u, places))
}

// Moment writes a time to the minute. In a record it writes the time to the second, with
// its zone.
func (f Format) Moment(t time.Time) string {
	if f.Full {
		return f.Day(t) + f.language().locale.between + t.Format("15:04:05 -07:00")
	}
	return f.Day(t) + f.language().locale.between + t.Format("15:04")
}

// Second writes a time to the second, without its zone.
func (f Format) Second(t time.Time) string {
	return f.Day(t) + f.language().locale.between + t.Format(time.TimeOnly)
}

// Day writes a date.
func (f Format) Day(t time.Time) string { return t.Format(f.language().locale.day) }

func trim(s string) string {
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// Decimal writes a number with a number of decimal places. A number that rounds to 0 has no
// sign.
func (f Format) Decimal(v float64, places int) string {
	s := strconv.FormatFloat(v, 'f', places, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return f.mark(s)
}

// Significant writes a number with a number of significant digits.
func (f Format) Significant(v float64, digits int) string {
	return f.mark(strconv.FormatFloat(v, 'g', digits, 64))
}

// Plain writes a number with up to six significant digits.
func (f Format) Plain(v float64) string { return f.Significant(v, 6) }
