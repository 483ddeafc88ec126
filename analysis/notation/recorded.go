package notation

import (
	"regexp"
	"strings"

	"fairbore/analysis"
)

// measureInText is a length or a share as sentences write it. A number before the
// word "in" is inches only with decimal places.
var measureInText = regexp.MustCompile(`(?:^|[\s(+±−]|[\s(]-)(\d+(?:\.\d+)? (?:mm|µm|µin|millionths|tenths|%)|\d+\.\d+ in)(?:$|[\s.,;:)?])`)

// Recorded says a sentence, in which lengths stand as they were said when it was
// made, with its lengths in the units of the format and its decimal sign. A depth
// has up to two decimal places of a mm, a size has more.
func (f Format) Recorded(text string) string {
	var b strings.Builder
	for {
		m := measureInText.FindStringSubmatchIndex(text)
		if m == nil {
			b.WriteString(text)
			return b.String()
		}
		b.WriteString(text[:m[2]])
		number, unit, _ := strings.Cut(text[m[2]:m[3]], " ")
		b.WriteString(f.converted(number, unit))
		text = text[m[3]:]
	}
}

func (f Format) converted(number, unit string) string {
	as := f.mark(number) + " " + unit
	if unit == "%" || f.Inch == (unit != "mm" && unit != "µm") {
		return as
	}
	name, parts := unit, analysis.Length(1)
	switch unit {
	case "tenths":
		name, parts = "in", 10_000
	case "millionths":
		name = "uin"
	}
	l, err := analysis.ParseLength(number + " " + name)
	if err != nil {
		return as
	}
	_, places, _ := strings.Cut(number, ".")
	switch {
	case unit != "mm" && unit != "in":
		return f.Some(analysis.Deviation(l/parts)) + " " + f.SmallUnit()
	case len(places) > 2:
		return f.Size(l)
	}
	return f.Depth(l)
}

// Speaks is the unit in which old phrases are said in this format.
func (f Format) Speaks() analysis.Unit {
	switch {
	case f.Inch && f.Fine:
		return analysis.UIN
	case f.Inch:
		return analysis.IN
	}
	return analysis.MM
}
