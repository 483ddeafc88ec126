package notation

import (
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
)

// Format is how a reader has lengths and phrases: in metric or inch units, with a
// decimal point or comma, in a language. The zero value is metric, in English.
type Format struct {
	Inch  bool
	Fine  bool // inch deviations in millionths, not tenths
	Comma bool
	// Full is for records: sizes and deviations in phrases stand in both systems, deviations
	// finer by ten, and moments to the second with their zone.
	Full     bool
	Language *Language // nil: English
	whole    bool      // the digits of a size are not set apart
}

// In returns the format of a unit: MM or UM, IN (tenths of a thou) or UIN (millionths).
func In(u analysis.Unit) Format { return Format{Inch: u.Inch(), Fine: u == analysis.UIN} }

// ForJob returns the format of a job's own unit. The small unit stays the same all
// through the job. Without a job it is metric.
func ForJob(j *analysis.Job) Format {
	if j == nil {
		return Format{}
	}
	return In(j.Speaks())
}

// Unit is the unit of deviations, as a length.
func (f Format) Unit() analysis.Length {
	switch {
	case f.Inch && f.Fine:
		return analysis.MicroInch
	case f.Inch:
		return tenth
	}
	return analysis.Micrometre
}

func (f Format) mark(s string) string {
	s = strings.Replace(s, "-", "−", 1)
	if f.Comma {
		s = strings.Replace(s, ".", ",", 1)
	}
	return s
}

// tenth is the toolmaker's: 0.0001 in.
const tenth = analysis.Thou / 10

// Small writes a deviation in [Format.SmallUnit] without the unit: whole
// millionths, else to one decimal place.
func (f Format) Small(d analysis.Deviation) string {
	if f.Inch && f.Fine {
		return f.mark(analysis.Length(d).Format(analysis.UIN, 0))
	}
	if f.Inch {
		return f.mark(analysis.Length(d).Tenths(1))
	}
	return f.mark(analysis.Length(d).Format(analysis.UM, 1))
}

// Some is [Format.Small] with as many places more as it takes to show that a deviation
// other than 0 is none, where nothing would be a wrong word: what is over, or to go.
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

// Signed is [Format.Small] with a sign, but for zero.
func (f Format) Signed(d analysis.Deviation) string { return plus(d, f.Small(d)) }

// SmallUnit is the unit of a deviation: µm, or tenths of a thousandth of an inch,
// or millionths of an inch.
func (f Format) SmallUnit() string {
	if f.Inch && f.Fine {
		return "millionths"
	}
	if f.Inch {
		return "tenths"
	}
	return "µm"
}

// Other writes a deviation in the units that stand beneath, finest first.
func (f Format) Other(d analysis.Deviation) string {
	l := analysis.Length(d)
	if f.Inch && f.Fine {
		return f.mark(l.Tenths(2)) + " tenths · " + f.mark(l.Format(analysis.UM, 2)) + " µm"
	}
	if f.Inch {
		return f.mark(l.Format(analysis.UIN, 0)) + " millionths · " + f.mark(l.Format(analysis.UM, 1)) + " µm"
	}
	return f.mark(l.Format(analysis.MM, 4)) + " mm · " + f.mark(l.Tenths(1)) + " tenths"
}

// Size writes a size with its unit: to 0.1 µm, or to a millionth of an inch with
// the hundredths of a tenth set apart, as they are said.
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

// SizeParts writes a size without its unit; of inches the digits after the fourth
// decimal place come apart.
func (f Format) SizeParts(l analysis.Length) (head, tail string) {
	s := f.Digits(l)
	if !f.Inch {
		return s, ""
	}
	return s[:len(s)-2], s[len(s)-2:]
}

// Large is the unit of sizes.
func (f Format) Large() analysis.Unit {
	if f.Inch {
		return analysis.IN
	}
	return analysis.MM
}

// Digits writes a size without its unit: to 0.1 µm, or to a millionth of an inch.
func (f Format) Digits(l analysis.Length) string { return f.digits(l, 0) }

// Certified is [Format.Digits] with a place more, as certificates have.
func (f Format) Certified(l analysis.Length) string { return f.digits(l, 1) }

func (f Format) digits(l analysis.Length, more int) string {
	places := 4
	if f.Inch {
		places = 6
	}
	return f.mark(l.Format(f.Large(), places+more))
}

// Beside returns the format of the other system.
func (f Format) Beside() Format {
	f.Inch = !f.Inch
	return f
}

// Micro writes a deviation without its unit as records have it: to 0.01 µm, or to a tenth
// of a millionth of an inch.
func (f Format) Micro(d analysis.Deviation) string {
	if f.Inch {
		return f.mark(analysis.Length(d).Format(analysis.UIN, 1))
	}
	return f.mark(analysis.Length(d).Format(analysis.UM, 2))
}

// SignedMicro is [Format.Micro] with a sign, but for zero.
func (f Format) SignedMicro(d analysis.Deviation) string { return plus(d, f.Micro(d)) }

// MicroUnit is the unit of [Format.Micro].
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

// As writes a length in a unit to so many places, without the unit.
func (f Format) As(l analysis.Length, u analysis.Unit, places int) string {
	return f.mark(l.Format(u, places))
}

// Moment writes a time: to the minute, in a record to the second with its zone.
func (f Format) Moment(t time.Time) string {
	if f.Full {
		return t.Format("2006-01-02 15:04:05 -07:00")
	}
	return t.Format("2006-01-02 15:04")
}

func trim(s string) string {
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// Decimal writes a number with so many decimal places; what comes to nothing has no sign.
func (f Format) Decimal(v float64, places int) string {
	s := strconv.FormatFloat(v, 'f', places, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return f.mark(s)
}

// Significant writes a number with so many digits.
func (f Format) Significant(v float64, digits int) string {
	return f.mark(strconv.FormatFloat(v, 'g', digits, 64))
}

// Plain writes a number with up to six digits.
func (f Format) Plain(v float64) string { return f.Significant(v, 6) }
