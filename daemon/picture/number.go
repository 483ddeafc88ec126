package picture

import (
	"strconv"
	"strings"

	"fairbore/analysis"
)

// Format is how numbers are written: in metric or inch units, with a decimal
// point or comma.
type Format struct {
	Inch  bool
	Fine  bool // inch deviations in millionths, not tenths
	Comma bool
}

// fine is the tolerance up to which millionths are spoken of, not tenths: with
// less than that a tenth of a tenth is too coarse (common practice).
const fine = 15 * tenth / 10

// For returns the format of a unit.
func For(u analysis.Unit) Format { return Format{Inch: u.Inch()} }

// ForJob returns the format of a job's own unit. The small unit stays the same all
// through the job.
func ForJob(j *analysis.Job) Format {
	return Format{Inch: j.Unit.Inch(), Fine: j.High-j.Low <= fine}
}

// unit is the unit of deviations, as a length.
func (f Format) unit() analysis.Length {
	switch {
	case f.Inch && f.Fine:
		return analysis.MicroInch
	case f.Inch:
		return tenth
	}
	return analysis.Micrometre
}

// Speaks is the unit in which phrases are said in this format.
func (f Format) Speaks() analysis.Unit {
	switch {
	case f.Inch && f.Fine:
		return analysis.UIN
	case f.Inch:
		return analysis.IN
	}
	return analysis.MM
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
func (f Format) Signed(d analysis.Deviation) string {
	s := f.Small(d)
	if d > 0 && strings.Trim(s, "0.,") != "" {
		return "+" + s
	}
	return s
}

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
	if b != "" {
		return a + "|" + b + " in"
	}
	return a + " mm"
}

// SizeParts writes a size without its unit; of inches the digits after the fourth
// decimal place come apart.
func (f Format) SizeParts(l analysis.Length) (head, tail string) {
	if !f.Inch {
		return f.mark(l.Format(analysis.MM, 4)), ""
	}
	s := f.mark(l.Format(analysis.IN, 6))
	return s[:len(s)-2], s[len(s)-2:]
}

// Depth writes a depth with its unit.
func (f Format) Depth(l analysis.Length) string {
	if f.Inch {
		return f.mark(l.Format(analysis.IN, 2)) + " in"
	}
	return f.mark(trim(l.Format(analysis.MM, 1))) + " mm"
}

// Place writes a place with its units.
func (f Format) Place(p analysis.Place) string { return f.Depth(p.Depth) + " / " + p.Angle.String() }

func trim(s string) string {
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

func trimFloat(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }
