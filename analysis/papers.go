package analysis

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// Papers is what stands on the papers of a job: the numbers by which drawing, part, order and
// customer are found. All of it is optional. The program prints and searches it, and computes
// nothing from it.
type Papers struct {
	Drawing    string `json:"drawing,omitempty"`     // number of the drawing; its revision is [Job.Revision]
	PartNumber string `json:"part_number,omitempty"` // of the customer's or the shop's parts list
	Order      string `json:"order,omitempty"`
	Customer   string `json:"customer,omitempty"`
	Operation  string `json:"operation,omitempty"` // of the routing, such as "40 hone"
	// Balloons are the numbers of the characteristics on the drawing.
	Balloons Balloons `json:"balloons,omitzero"`
	Fields   []Field  `json:"fields,omitempty"` // what else the shop wants on the record
}

// Balloons are the numbers in the balloons of a drawing, one for each tolerance that a [Job] has.
type Balloons struct {
	Size      string `json:"size,omitempty" koanf:"size"`
	Variation string `json:"variation,omitempty" koanf:"variation"`
	Ovality   string `json:"ovality,omitempty" koanf:"ovality"`
	Taper     string `json:"taper,omitempty" koanf:"taper"`
}

// Field is a fact with a name of the shop's own.
type Field struct {
	Name  string `json:"name" koanf:"name"`
	Value string `json:"value" koanf:"value"`
}

// PartPapers is what stands on the papers of one part. An order here is that of the part, where it
// differs from the order of the job.
type PartPapers struct {
	Order  string  `json:"order,omitempty"`
	Heat   string  `json:"heat,omitempty"` // heat or batch of the material
	Fields []Field `json:"fields,omitempty"`
}

// Bounds of the papers, in characters: more than a form has room for.
const (
	mostPaper   = 64
	mostBalloon = 16
	mostFields  = 12 // fields with a name of the shop's own
)

// Check reports what is too long in the papers, or would not be seen. Each fault is a [Phrase] about
// the member that [FaultField] names.
func (p *Papers) Check() (faults []error) {
	for _, x := range []struct {
		field, text string
		most        int
	}{
		{"drawing", p.Drawing, mostPaper}, {"part_number", p.PartNumber, mostPaper}, {"order", p.Order, mostPaper}, {"customer", p.Customer, mostPaper}, {"operation", p.Operation, mostPaper},
		{"balloons.size", p.Balloons.Size, mostBalloon}, {"balloons.variation", p.Balloons.Variation, mostBalloon}, {"balloons.ovality", p.Balloons.Ovality, mostBalloon}, {"balloons.taper", p.Balloons.Taper, mostBalloon},
	} {
		if !legible(x.text, x.most) {
			faults = append(faults, Say("job.record_line", x.field, x.most))
		}
	}
	return append(faults, checkFields(p.Fields)...)
}

// Check does the same for the papers of a part.
func (p *PartPapers) Check() (faults []error) {
	if !legible(p.Order, mostPaper) {
		faults = append(faults, Say("job.record_line", "order", mostPaper))
	}
	if !legible(p.Heat, mostPaper) {
		faults = append(faults, Say("job.record_line", "heat", mostPaper))
	}
	return append(faults, checkFields(p.Fields)...)
}

func checkFields(fields []Field) (faults []error) {
	if len(fields) > mostFields {
		return []error{Say("job.record_fields", "fields", mostFields)}
	}
	named := map[string]bool{}
	for _, f := range fields {
		switch name := strings.TrimSpace(f.Name); {
		case !legible(f.Name, mostPaper) || !legible(f.Value, mostPaper):
			faults = append(faults, Say("job.record_line", "fields", mostPaper))
		case name == "":
			faults = append(faults, Say("job.record_name", "fields"))
		case named[name]:
			faults = append(faults, Say("job.record_twice", "fields", name))
		default:
			named[name] = true
		}
	}
	return faults
}

// legible reports whether a text has at most so many characters, and all of them are seen.
func legible(text string, most int) bool {
	return utf8.ValidString(text) && utf8.RuneCountInString(text) <= most && !strings.ContainsFunc(text, Invisible)
}

// Invisible reports whether a character of a name or a serial number would not be seen: then two that
// look the same would differ. A space that is no plain one is among them.
func Invisible(r rune) bool {
	const blank = '\u2800' // the braille pattern without a dot
	return Unprintable(r) || unicode.In(r, unicode.Cf, unicode.Other_Default_Ignorable_Code_Point, unicode.Variation_Selector) || unicode.Is(unicode.Zs, r) && r != ' ' || r == blank
}

// Unprintable reports whether a character acts on a display instead of being shown.
func Unprintable(r rune) bool {
	return unicode.IsControl(r) || unicode.In(r, unicode.Bidi_Control, unicode.Zl, unicode.Zp)
}
