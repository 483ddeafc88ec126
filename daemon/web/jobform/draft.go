// Package jobform reads the form for a new job. It makes a job of what was typed, and says for each
// field how it was understood, what is wrong with it and what is usual there.
package jobform

import (
	"cmp"
	"errors"
	"slices"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/plan"
)

// Entry has what the page for a new job needs. Its functions may be called from any goroutine.
type Entry struct {
	// Check returns everything that is wrong with a job for a station.
	Check     func(station string, j *analysis.Job) []error
	Rings     func(station string) []*analysis.Ring
	Materials []string
}

// The fields of the form, which are also the keys of what is posted.
const (
	fieldID, fieldTitle, fieldRevision, FieldUnit, fieldMaterial = "id", "title", "revision", "unit", "material"
	fieldNominal, FieldClass, fieldLow, fieldHigh, fieldTarget   = "nominal", "class", "low", "high", "target"
	fieldVariation, fieldOvality, fieldTaper                     = "variation", "ovality", "taper"
	fieldLength, FieldFace, fieldBlind, fieldInterrupts          = "length", "face", "blind", "interrupts"
	fieldSignOff                                                 = "sign_off"
	fieldOutside                                                 = "outside"
	fieldSections, fieldAngles, fieldRing, fieldBand             = "sections", "orientations", "ring", "band"
	fieldFields                                                  = "fields"
)

// Planned returns the fields that the plan of a bore fills in.
func Planned() []string {
	return []string{FieldUnit, fieldNominal, FieldClass, fieldLow, fieldHigh, fieldVariation}
}

// papers returns the members of the papers that are typed as they are, by field.
func papers(p *analysis.Papers) map[string]*string {
	return map[string]*string{
		"drawing": &p.Drawing, "part_number": &p.PartNumber, "order": &p.Order, "customer": &p.Customer, "operation": &p.Operation,
		"balloon_size": &p.Balloons.Size, "balloon_variation": &p.Balloons.Variation, "balloon_ovality": &p.Balloons.Ovality, "balloon_taper": &p.Balloons.Taper,
	}
}

// usualBand is how far a size may lie from nominal if nothing else is stated.
const usualBand = analysis.Deviation(200 * analysis.Micrometre)

// farRing is how far a ring may be from the target without a question. A gauge should be set near
// the size that it will read (common practice).
const farRing = 100 * analysis.Micrometre

// Draft is a job as it was typed, field by field, and what was found in it.
type Draft struct {
	f      notation.Format // of the person who types
	text   map[string]string
	Job    analysis.Job
	Faults map[string]string // by field, the first fault of each
	Echo   map[string]string // by field: how it was understood
	// Usual is what is usual in a field, what fits best first. A ring is there if it is near the
	// target.
	Usual map[string][]string
	Ask   []string // what is unusual, but may be meant
}

// Read reads what was typed. A length without a unit is in the unit of the drawing; a limit with a
// sign is a deviation from nominal.
func Read(text map[string]string, f notation.Format) *Draft {
	d := &Draft{f: f, text: text, Faults: map[string]string{}, Echo: map[string]string{}, Usual: map[string][]string{}}
	j := &d.Job
	j.ID, j.Title, j.Revision = d.word(fieldID), cmp.Or(d.word(fieldTitle), d.word(fieldID)), d.word(fieldRevision)
	j.Material, j.Face, j.Ring = d.word(fieldMaterial), d.face(), d.word(fieldRing)
	j.Blind, j.SignOff = d.word(fieldBlind) != "", d.word(fieldSignOff) != ""
	if err := j.Unit.UnmarshalText([]byte(d.word(FieldUnit))); err != nil || j.Unit != analysis.MM && j.Unit != analysis.IN {
		d.bad(FieldUnit, analysis.Say("entry.unit"))
		j.Unit = analysis.MM
	}
	j.Nominal = d.length(fieldNominal)
	d.limits()
	j.Variation, j.Ovality, j.Taper = d.deviation(fieldVariation), d.deviation(fieldOvality), d.deviation(fieldTaper)
	j.Length, j.Outside = d.length(fieldLength), d.length(fieldOutside)
	d.places()
	d.interrupts()
	d.papers()
	j.Band = cmp.Or(d.deviation(fieldBand), usualBand)
	return d
}

func (d *Draft) word(field string) string { return strings.TrimSpace(d.text[field]) }

// face returns the name of the face that depths are measured from: the program's own name where the
// reader's word for it was typed.
func (d *Draft) face() string {
	typed := d.word(FieldFace)
	for _, name := range analysis.Faces() {
		if strings.EqualFold(typed, d.f.Say(analysis.FaceName(name))) {
			return name
		}
	}
	return cmp.Or(typed, "front")
}

// bad notes a fault of a field, if it is the first one there.
func (d *Draft) bad(field string, why error) {
	if d.Faults[field] == "" {
		d.Faults[field] = d.f.Error(why)
	}
}

// parse reads a length, in the unit of the drawing if it has none.
func (d *Draft) parse(field, text string) (analysis.Length, bool) {
	l, err := d.f.Length(text)
	if errors.Is(err, analysis.ErrNoUnit) {
		l, err = d.f.Length(text + " " + d.Job.Unit.String())
	}
	switch said := (analysis.Phrase{}); {
	case err == nil:
		return l, true
	case errors.As(err, &said), errors.Is(err, analysis.ErrFiner), errors.Is(err, analysis.ErrRange), errors.Is(err, analysis.ErrInches):
		d.bad(field, analysis.LengthFault(text, err))
	case d.Job.Unit.Inch():
		d.bad(field, analysis.Say("entry.length.in", text))
	default:
		d.bad(field, analysis.Say("entry.length.mm", text))
	}
	return 0, false
}

func (d *Draft) length(field string) analysis.Length {
	text := d.word(field)
	if text == "" {
		return 0
	}
	l, ok := d.parse(field, text)
	if ok {
		d.Echo[field] = d.both(l)
	}
	return l
}

func (d *Draft) deviation(field string) analysis.Deviation {
	l := d.length(field)
	if l != 0 {
		d.Echo[field] = d.bothSmall(analysis.Deviation(l))
	}
	return analysis.Deviation(l)
}

// both formats a size in mm and inches, so that a mistaken unit shows.
func (d *Draft) both(l analysis.Length) string {
	return d.f.As(l, analysis.MM, 4) + " mm · " + d.f.As(l, analysis.IN, 6) + " in"
}

func (d *Draft) bothSmall(dev analysis.Deviation) string {
	l, millionths := analysis.Length(dev), notation.Format{Inch: true, Fine: true, Language: d.f.Language}
	return d.f.As(l, analysis.UM, 2) + " µm · " + d.f.As(l, analysis.UIN, 0) + " " + millionths.SmallUnit()
}

// limits works out the limits, typed as sizes, as deviations, or by a tolerance class.
func (d *Draft) limits() {
	j := &d.Job
	low, high := d.word(fieldLow), d.word(fieldHigh)
	switch {
	case d.word(FieldClass) == "":
		j.Low, j.High = d.limit(fieldLow, low), d.limit(fieldHigh, high)
	case low != "" || high != "":
		d.bad(FieldClass, analysis.Say("entry.class_and_limits"))
	default:
		d.class()
	}
	j.Target = d.length(fieldTarget)
	if j.Target == 0 && j.High > j.Low && d.Faults[fieldTarget] == "" {
		j.Target = j.Low + (j.High-j.Low)/2
		d.Echo[fieldTarget] = d.f.Text("entry.middle", d.both(j.Target))
	}
}

func (d *Draft) limit(field, text string) analysis.Length {
	if text == "" {
		return 0
	}
	l, ok := d.parse(field, text)
	if !ok {
		return 0
	}
	unsigned := l > 0 && l < d.Job.Nominal/2 && text[0] != '+' // far too small for a size of this bore
	if unsigned {
		d.bad(field, analysis.Say("entry.limit_sign", text, "+"+text))
	}
	if unsigned || text == "0" || strings.ContainsAny(text[:1], "+-") || strings.HasPrefix(text, "−") {
		l += d.Job.Nominal
	}
	d.Echo[field] = d.both(l)
	return l
}

func (d *Draft) class() {
	j := &d.Job
	c, err := plan.ParseClass(d.word(FieldClass))
	switch {
	case err != nil:
		d.bad(FieldClass, err)
		return
	case !c.Hole():
		d.bad(FieldClass, analysis.Say("entry.class_of_shaft", c.String(), strings.ToUpper(c.String())))
		return
	case j.Nominal == 0:
		d.bad(FieldClass, analysis.Say("entry.class_nominal"))
		return
	}
	t, err := plan.ISO(j.Nominal, c)
	if err != nil {
		d.bad(FieldClass, err)
		return
	}
	j.Low, j.High = t.Limits()
	d.Echo[FieldClass] = d.f.Text("entry.from_to", d.both(j.Low), d.both(j.High))
}

// fields splits a list at blanks, semicolons, and commas with a blank after them. A comma alone may
// be a decimal sign.
func fields(text string) []string {
	return strings.Fields(strings.NewReplacer(";", " ", ", ", " ", "\n", " ").Replace(text + " "))
}

// places reads the depths and the angles to gauge at.
func (d *Draft) places() {
	j := &d.Job
	words := fields(d.word(fieldSections))
	for i := 0; i < len(words); i++ {
		text := words[i]
		if i+1 < len(words) {
			if _, err := analysis.ParseUnit(words[i+1]); err == nil {
				i++
				text += " " + words[i]
			}
		}
		if l, ok := d.parse(fieldSections, text); ok {
			j.Sections = append(j.Sections, l)
		}
	}
	for _, text := range fields(d.word(fieldAngles)) {
		var a analysis.Angle
		if err := a.UnmarshalJSON([]byte(strings.TrimSuffix(text, "°"))); err != nil {
			d.bad(fieldAngles, analysis.Say("entry.angle", text))
			continue
		}
		j.Orientations = append(j.Orientations, a)
	}
	d.usual(plan.Depths(j.Length, j.Nominal, j.Blind, j.Unit))
	for n := analysis.Length(2); n <= 5; n++ {
		d.usual(plan.Spread(n, j.Length, j.Unit))
	}
	d.Usual[fieldAngles] = []string{"0 90", "0 60 120", "0"}
	if j.Length > 3*j.Nominal {
		d.Usual[fieldAngles] = []string{"0 60 120", "0 90", "0"}
	}
}

// usual offers depths, if there are any and they are not offered yet.
func (d *Draft) usual(depths []analysis.Length) {
	f := notation.In(d.Job.Unit)
	f.Language, f.Sign = d.f.Language, d.f.Sign
	text := make([]string, len(depths))
	for i, l := range depths {
		text[i] = strings.TrimSuffix(f.Depth(l), " "+d.Job.Unit.String())
	}
	if all := strings.Join(text, " "); all != "" && !slices.Contains(d.Usual[fieldSections], all) {
		d.Usual[fieldSections] = append(d.Usual[fieldSections], all)
	}
}

// interrupts reads the interruptions of the wall, one a line or separated by semicolons: from, to,
// and what is there.
func (d *Draft) interrupts() {
	for _, line := range strings.FieldsFunc(d.text[fieldInterrupts], func(r rune) bool { return r == ';' || r == '\n' }) {
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		if len(words) < 2 {
			d.bad(fieldInterrupts, analysis.Say("entry.interrupts"))
			continue
		}
		from, ok1 := d.parse(fieldInterrupts, words[0])
		to, ok2 := d.parse(fieldInterrupts, words[1])
		if ok1 && ok2 {
			d.Job.Interrupts = append(d.Job.Interrupts, analysis.Interrupt{From: from, To: to, What: cmp.Or(strings.Join(words[2:], " "), d.f.Text("entry.gap"))})
		}
	}
}

// papers reads what is for the record. The fields with names of the shop's own are separated by
// semicolons, with a colon after the name.
func (d *Draft) papers() {
	for field, text := range papers(&d.Job.Papers) {
		*text = d.word(field)
	}
	for _, line := range strings.FieldsFunc(d.text[fieldFields], func(r rune) bool { return r == ';' || r == '\n' }) {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		name, value, ok := strings.Cut(line, ":")
		if !ok {
			d.bad(fieldFields, analysis.Say("job.record_name", fieldFields))
			continue
		}
		d.Job.Fields = append(d.Job.Fields, analysis.Field{Name: strings.TrimSpace(name), Value: strings.TrimSpace(value)})
	}
}

// Check adds what is wrong with the job as a whole.
func (d *Draft) Check(station string, e *Entry, known []*analysis.Job) {
	for _, field := range []string{fieldID, fieldMaterial, fieldNominal, fieldLength, fieldRing, fieldSections, fieldAngles} {
		if d.word(field) == "" {
			d.bad(field, analysis.Say("entry.missing."+field))
		}
	}
	if d.word(FieldClass) == "" {
		for _, field := range []string{fieldLow, fieldHigh} {
			if d.word(field) == "" {
				d.bad(field, analysis.Say("entry.missing.limits"))
			}
		}
	}
	for _, err := range e.Check(station, &d.Job) {
		d.bad(fieldOf(err), err)
	}
	d.questions(e.Rings(station), known)
}

// fieldOf returns the field that a fault of a job is about.
func fieldOf(fault error) string {
	switch key := analysis.FaultField(fault); key {
	case "":
		return fieldID
	case "low":
		return fieldHigh
	case "orientations":
		return fieldAngles
	default: // the other fields have the names of their members
		return strings.Replace(key, "balloons.", "balloon_", 1)
	}
}

// questions asks about what is possible, but unusual.
func (d *Draft) questions(rings []*analysis.Ring, known []*analysis.Job) {
	j := &d.Job
	ask := func(p analysis.Phrase) { d.Ask = append(d.Ask, d.f.Say(p)) }
	f := notation.In(j.Unit)
	f.Language, f.Sign = d.f.Language, d.f.Sign
	far := func(r *analysis.Ring) analysis.Length { return (r.Size - cmp.Or(j.Target, j.Nominal)).Abs() }
	rings = slices.SortedStableFunc(slices.Values(rings), func(a, b *analysis.Ring) int { return cmp.Compare(far(a), far(b)) })
	for _, r := range rings {
		if far(r) <= farRing {
			d.Usual[fieldRing] = append(d.Usual[fieldRing], r.ID)
		}
		if r.ID != j.Ring || j.Target == 0 {
			continue
		}
		off := r.Size - j.Target
		d.Echo[fieldRing] = f.Text("entry.off_target", f.Signed(analysis.Deviation(off))+" "+f.SmallUnit())
		if off.Abs() > farRing {
			ask(analysis.Say("entry.ask.ring", r.ID, d.both(off.Abs())))
		}
	}
	if j.Low > 0 && j.High > j.Low && (j.Nominal < j.Low || j.Nominal > j.High) {
		ask(analysis.Say("entry.ask.nominal"))
	}
	for _, k := range known {
		if k.ID == j.ID && d.Faults[fieldID] == "" {
			ask(analysis.Say("entry.ask.known", k.ID))
		}
	}
}

// Drawable reports whether enough of the bore was understood to be drawn.
func (d *Draft) Drawable() bool {
	j := &d.Job
	return j.Length > 0 && j.High > j.Low && j.Low > 0 && len(d.Faults[fieldSections]+d.Faults[fieldAngles]+d.Faults[fieldInterrupts]) == 0
}
