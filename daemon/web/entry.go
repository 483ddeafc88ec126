package web

import (
	"cmp"
	"errors"
	"strings"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/plan"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
)

// Entry is what the page of a new job needs to know. Any goroutine may call its
// functions.
type Entry struct {
	// Check reports all that is wrong with a job for a station.
	Check     func(station string, j *analysis.Job) []error
	Rings     func(station string) []*analysis.Ring
	Materials []string
}

// Fields of the page of a new job; they are the keys of what is posted.
const (
	fieldID, fieldTitle, fieldRevision, fieldUnit, fieldMaterial = "id", "title", "revision", "unit", "material"
	fieldNominal, fieldClass, fieldLow, fieldHigh, fieldTarget   = "nominal", "class", "low", "high", "target"
	fieldVariation, fieldOvality, fieldTaper                     = "variation", "ovality", "taper"
	fieldLength, fieldFace, fieldBlind, fieldInterrupts          = "length", "face", "blind", "interrupts"
	fieldOutside                                                 = "outside"
	fieldSections, fieldAngles, fieldRing, fieldBand             = "sections", "orientations", "ring", "band"
)

// usualBand is how far a size can lie from nominal if nothing else is said.
const usualBand = analysis.Deviation(200 * analysis.Micrometre)

// farRing is how far a ring may be from the target without a question: the gauge
// is then set where it will be read (common practice).
const farRing = 100 * analysis.Micrometre

// draft is a job as it was typed, field by field, and what was found in it.
type draft struct {
	f      notation.Format // of who types
	text   map[string]string
	job    analysis.Job
	faults map[string]string // by field, the first of each
	echo   map[string]string // by field: how it was understood
	usual  map[string]string // by field: what is usual there
	ask    []string          // what is odd, and may be meant
}

// readDraft reads what was typed. A length without a unit is in that of the
// drawing, a limit with a sign a deviation from nominal.
func readDraft(text map[string]string, f notation.Format) *draft {
	d := &draft{f: f, text: text, faults: map[string]string{}, echo: map[string]string{}, usual: map[string]string{}}
	j := &d.job
	j.ID, j.Title, j.Revision = d.word(fieldID), cmp.Or(d.word(fieldTitle), d.word(fieldID)), d.word(fieldRevision)
	j.Material, j.Face, j.Ring = d.word(fieldMaterial), cmp.Or(d.word(fieldFace), "front"), d.word(fieldRing)
	j.Blind = d.word(fieldBlind) != ""
	if err := j.Unit.UnmarshalText([]byte(d.word(fieldUnit))); err != nil || j.Unit != analysis.MM && j.Unit != analysis.IN {
		d.bad(fieldUnit, analysis.Say("entry.unit"))
		j.Unit = analysis.MM
	}
	j.Nominal = d.length(fieldNominal)
	d.limits()
	j.Variation, j.Ovality, j.Taper = d.deviation(fieldVariation), d.deviation(fieldOvality), d.deviation(fieldTaper)
	j.Length, j.Outside = d.length(fieldLength), d.length(fieldOutside)
	d.places()
	d.interrupts()
	j.Band = cmp.Or(d.deviation(fieldBand), usualBand)
	return d
}

func (d *draft) word(field string) string { return strings.TrimSpace(d.text[field]) }

// bad notes a fault of a field, if it is the first there.
func (d *draft) bad(field string, why error) {
	if d.faults[field] == "" {
		d.faults[field] = d.f.Error(why)
	}
}

// parse reads a length, in the drawing's unit if it has none.
func (d *draft) parse(field, text string) (analysis.Length, bool) {
	l, err := analysis.ParseLength(text)
	if errors.Is(err, analysis.ErrNoUnit) {
		l, err = analysis.ParseLength(text + " " + d.job.Unit.String())
	}
	switch {
	case err == nil:
		return l, true
	case errors.Is(err, analysis.ErrFiner):
		d.bad(field, analysis.Say("entry.length.finer", text))
	case errors.Is(err, analysis.ErrRange):
		d.bad(field, analysis.Say("entry.length.range", text))
	case errors.Is(err, analysis.ErrInches):
		d.bad(field, analysis.Say("entry.length.inches", text))
	case d.job.Unit.Inch():
		d.bad(field, analysis.Say("entry.length.in", text))
	default:
		d.bad(field, analysis.Say("entry.length.mm", text))
	}
	return 0, false
}

func (d *draft) length(field string) analysis.Length {
	text := d.word(field)
	if text == "" {
		return 0
	}
	l, ok := d.parse(field, text)
	if ok {
		d.echo[field] = both(l)
	}
	return l
}

func (d *draft) deviation(field string) analysis.Deviation {
	l := d.length(field)
	if l != 0 {
		d.echo[field] = bothSmall(analysis.Deviation(l))
	}
	return analysis.Deviation(l)
}

// both writes a size in mm and inches, so that a slip between them shows.
func both(l analysis.Length) string {
	return (notation.Format{}).Size(l) + " · " + l.Format(analysis.IN, 6) + " in"
}

func bothSmall(d analysis.Deviation) string {
	l := analysis.Length(d)
	return l.Format(analysis.UM, 2) + " µm · " + l.Format(analysis.UIN, 0) + " millionths"
}

// limits works the limits out: typed as sizes, as deviations, or by a class.
func (d *draft) limits() {
	j := &d.job
	low, high := d.word(fieldLow), d.word(fieldHigh)
	switch {
	case d.word(fieldClass) == "":
		j.Low, j.High = d.limit(fieldLow, low), d.limit(fieldHigh, high)
	case low != "" || high != "":
		d.bad(fieldClass, analysis.Say("entry.class_and_limits"))
	default:
		d.class()
	}
	j.Target = d.length(fieldTarget)
	if j.Target == 0 && j.High > j.Low && d.faults[fieldTarget] == "" {
		j.Target = j.Low + (j.High-j.Low)/2
		d.echo[fieldTarget] = d.f.Text("entry.middle", both(j.Target))
	}
}

func (d *draft) limit(field, text string) analysis.Length {
	if text == "" {
		return 0
	}
	l, ok := d.parse(field, text)
	if !ok {
		return 0
	}
	if text == "0" || strings.ContainsAny(text[:1], "+-") || strings.HasPrefix(text, "−") {
		l += d.job.Nominal
	}
	d.echo[field] = both(l)
	return l
}

func (d *draft) class() {
	j := &d.job
	c, err := plan.ParseClass(d.word(fieldClass))
	switch {
	case err != nil:
		d.bad(fieldClass, err)
		return
	case !c.Hole():
		d.bad(fieldClass, analysis.Say("entry.class_of_shaft", c.String(), strings.ToUpper(c.String())))
		return
	case j.Nominal == 0:
		d.bad(fieldClass, analysis.Say("entry.class_nominal"))
		return
	}
	t, err := plan.ISO(j.Nominal, c)
	if err != nil {
		d.bad(fieldClass, err)
		return
	}
	j.Low, j.High = t.Limits()
	d.echo[fieldClass] = d.f.Text("entry.from_to", both(j.Low), both(j.High))
}

// fields splits a list at blanks, semicolons, and commas that a blank follows: a
// comma alone may be a decimal sign.
func fields(text string) []string {
	return strings.Fields(strings.NewReplacer(";", " ", ", ", " ", "\n", " ").Replace(text + " "))
}

// places reads the depths and the angles at which to gauge.
func (d *draft) places() {
	j := &d.job
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
	f := notation.In(j.Unit)
	var usual []string
	for _, l := range plan.Depths(j.Length, j.Nominal, j.Blind, j.Unit) {
		usual = append(usual, strings.TrimSuffix(f.Depth(l), " "+j.Unit.String()))
	}
	d.usual[fieldSections] = strings.Join(usual, " ")
	d.usual[fieldAngles] = map[bool]string{false: "0 90", true: "0 60 120"}[j.Length > 3*j.Nominal]
}

// interrupts reads what is no wall, one a line or after a semicolon: from, to, and
// what is there.
func (d *draft) interrupts() {
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
			d.job.Interrupts = append(d.job.Interrupts, analysis.Interrupt{From: from, To: to, What: cmp.Or(strings.Join(words[2:], " "), d.f.Text("entry.gap"))})
		}
	}
}

// check adds what is wrong with the job as a whole to what could not be read.
func (d *draft) check(station string, e *Entry, known []*analysis.Job) {
	for _, field := range []string{fieldID, fieldMaterial, fieldNominal, fieldLength, fieldRing, fieldSections, fieldAngles} {
		if d.word(field) == "" {
			d.bad(field, analysis.Say("entry.missing."+field))
		}
	}
	if d.word(fieldClass) == "" {
		for _, field := range []string{fieldLow, fieldHigh} {
			if d.word(field) == "" {
				d.bad(field, analysis.Say("entry.missing.limits"))
			}
		}
	}
	for _, err := range e.Check(station, &d.job) {
		d.bad(fieldOf(err), err)
	}
	d.questions(e.Rings(station), known)
}

// fieldOf is the field that a fault of a job is about.
func fieldOf(fault error) string {
	switch key := analysis.FaultField(fault); key {
	case "":
		return fieldID
	case "low":
		return fieldHigh
	case "orientations":
		return fieldAngles
	default: // the other fields have the names of the members
		return key
	}
}

// questions asks about what can be meant, and usually isn't.
func (d *draft) questions(rings []*analysis.Ring, known []*analysis.Job) {
	j := &d.job
	ask := func(p analysis.Phrase) { d.ask = append(d.ask, d.f.Say(p)) }
	f := notation.In(j.Unit)
	f.Language, f.Comma = d.f.Language, d.f.Comma
	for _, r := range rings {
		if r.ID != j.Ring || j.Target == 0 {
			continue
		}
		off := r.Size - j.Target
		d.echo[fieldRing] = f.Text("entry.off_target", f.Signed(analysis.Deviation(off))+" "+f.SmallUnit())
		if off.Abs() > farRing {
			ask(analysis.Say("entry.ask.ring", r.ID, both(off.Abs())))
		}
	}
	if j.Low > 0 && j.High > j.Low && (j.Nominal < j.Low || j.Nominal > j.High) {
		ask(analysis.Say("entry.ask.nominal"))
	}
	for _, k := range known {
		if k.ID == j.ID && d.faults[fieldID] == "" {
			ask(analysis.Say("entry.ask.known", k.ID))
		}
	}
}

// drawing is the bore as it was understood, "" while there is too little of it.
func (d *draft) drawing(l *look) string {
	j := d.job
	if j.Length <= 0 || j.High <= j.Low || j.Low <= 0 || len(d.faults[fieldSections]+d.faults[fieldAngles]+d.faults[fieldInterrupts]) > 0 {
		return ""
	}
	return string(picture.Cut{Bore: &state.Bore{Job: &j}, W: l.w, H: l.h, Format: l.format(&j)}.SVG())
}
