package analysis

import (
	"cmp"
	"errors"
	"slices"
	"strings"
	"time"
)

// Place is a place in a bore where it is gauged: a section at a depth from the named face,
// and an orientation about the axis.
type Place struct {
	Depth Length `json:"depth_mm"`
	Angle Angle  `json:"angle_deg"`
}

// String writes the place as people call it at the machine: "13 mm / 90°".
func (p Place) String() string { return p.Depth.String() + " / " + p.Angle.String() }

// Limits holds the low and the high limit of size of a bore, and the size to aim at.
type Limits struct {
	Low    Length `json:"low_mm"`
	High   Length `json:"high_mm"`
	Target Length `json:"target_mm"`
}

// Stretch is a part of the bore's length.
type Stretch struct {
	From Length `json:"from_mm"`
	To   Length `json:"to_mm"`
}

// Interrupt is a part of the bore's length without a wall to gauge: a groove,
// a port, an oil hole.
type Interrupt struct {
	From Length `json:"from_mm"`
	To   Length `json:"to_mm"`
	What string `json:"what"`
}

// Job holds what the drawing requires of a bore, and how the bore is gauged.
type Job struct {
	ID       string `json:"id"`
	Title    string `json:"title"`
	Revision string `json:"revision,omitempty"` // of the drawing
	Unit     Unit   `json:"unit"`               // unit of the drawing: MM or IN
	Material string `json:"material,omitempty"`
	Face     string `json:"face"` // face from which depths are measured, such as "front"
	Blind    bool   `json:"blind,omitempty"`

	Nominal Length `json:"nominal_mm"`
	Limits
	// Band is how far from nominal a size can possibly lie on this job. A reading farther
	// away is nonsense (wrong unit, wrong ring, free air) and is refused.
	Band Deviation `json:"plausible_range_um"`
	// Variation is the most by which the local sizes of one part may differ. Ovality is the
	// most by which they may differ about the axis, and Taper along it. 0 means that the
	// drawing does not ask for it.
	Variation Deviation `json:"variation_um,omitempty"`
	Ovality   Deviation `json:"ovality_um,omitempty"`
	Taper     Deviation `json:"taper_um,omitempty"`

	Length Length `json:"length_mm"` // of the bore
	// Outside is the outside diameter of the part, 0 if not stated. The outside diameter and
	// the material tell how fast a warm part cools.
	Outside      Length      `json:"outside_mm,omitempty"`
	Sections     []Length    `json:"sections_mm"`
	Orientations []Angle     `json:"orientations_deg"`
	Interrupts   []Interrupt `json:"interrupts,omitempty"`

	Ring string `json:"ring"` // id of the master ring to use
	// SignOff says that whoever accepts a part must be another than those who measured it.
	SignOff bool `json:"sign_off,omitempty"`

	Papers
}

// Plan lists the places to gauge, in the order of gauging: section by section, and at each
// section all orientations.
func (j *Job) Plan() []Place {
	plan := make([]Place, 0, len(j.Sections)*len(j.Orientations))
	for _, d := range j.Sections {
		for _, a := range j.Orientations {
			plan = append(plan, Place{d, a})
		}
	}
	return plan
}

// Check reports everything that is wrong with the job. Each fault is a [Phrase] that says
// what to do. Check returns nil if the job can be worked to.
func (j *Job) Check() (faults []error) {
	bad := func(code string, args ...any) { faults = append(faults, Say(code, args...)) }
	if j.ID == "" {
		bad("job.id_none")
	}
	if j.Unit != MM && j.Unit != IN {
		bad("job.unit")
	}
	j.checkSizes(bad)
	if j.Length <= 0 {
		bad("job.length")
	}
	if j.Outside != 0 && (j.Outside <= j.High || j.Outside > 10_000*Millimetre) {
		bad("job.outside", j.Outside)
	}
	j.checkPlan(bad)
	if j.Ring == "" {
		bad("job.ring_none")
	}
	return append(faults, j.Papers.Check()...)
}

func (j *Job) checkSizes(bad func(code string, args ...any)) {
	if j.Nominal <= 0 || j.Nominal > 1000*Millimetre {
		bad("job.nominal", Size(j.Nominal))
	}
	switch tol := j.High - j.Low; {
	case tol <= 0:
		bad("job.low_order", Size(j.High), Size(j.Low))
	case j.Nominal > 0 && tol > j.Nominal/100:
		bad("job.low_unit", tol)
	}
	if j.High > j.Low && (j.Target <= j.Low || j.Target >= j.High) {
		bad("job.target", Size(j.Target), Size(j.Low), Size(j.High))
	}
	if j.Band <= 0 {
		bad("job.band")
	} else if lo, hi := j.Nominal-Length(j.Band), j.Nominal+Length(j.Band); j.Low < lo || j.High > hi {
		bad("job.low_band", Size(j.Low), Size(j.High), Size(lo), Size(hi))
	}
	if j.Variation < 0 || j.Ovality < 0 || j.Taper < 0 {
		bad("job.variation_negative")
	}
}

func (j *Job) checkPlan(bad func(code string, args ...any)) {
	if len(j.Sections) == 0 {
		bad("job.sections_none")
	}
	if len(j.Orientations) == 0 {
		bad("job.orientations_none")
	}
	for i, d := range j.Sections {
		if d < 0 || d > j.Length {
			bad("job.sections_outside", d, j.Length)
		}
		if i > 0 && d <= j.Sections[i-1] {
			bad("job.sections_order", d, FaceName(j.Face))
		}
		if in := j.Interrupted(d); in != nil {
			bad("job.sections_gap", d, in.What, in.From, in.To)
		}
	}
	for i, a := range j.Orientations {
		if a < 0 || a >= 360*Degree {
			bad("job.orientations_range", a)
		}
		if i > 0 && a <= j.Orientations[i-1] {
			bad("job.orientations_order", a)
		}
	}
	for _, in := range j.Interrupts {
		if in.To <= in.From || in.From < 0 || in.To > j.Length {
			bad("job.interrupts_range", in.From, in.To)
		}
	}
}

// FaultField returns the key of the job's member that a fault is about, such as "sections".
// It is the key in JSON or in the configuration, without a unit. The codes of faults begin
// with this key after "job.". For any other error FaultField returns "".
func FaultField(fault error) string {
	var p Phrase
	if !errors.As(fault, &p) {
		return ""
	}
	field, ok := strings.CutPrefix(p.Code, "job.")
	if !ok {
		return ""
	}
	field, _, _ = strings.Cut(field, "_")
	if field == "record" && len(p.Args) > 0 {
		field, _ = p.Args[0].Typed().(string)
	}
	return field
}

// Faces returns the names of the ends of a bore that have a text in every language. A job may name
// its face otherwise, as the drawing does.
func Faces() []string {
	return []string{"front", "back", "top", "bottom", "left", "right", "far end"}
}

// FaceName names an end of a bore, "front" if the name is empty, for a person who reads.
func FaceName(name string) Phrase {
	name = cmp.Or(name, "front")
	if slices.Contains(Faces(), name) {
		return Say("where.name." + name)
	}
	return Phrase{Text: name}
}

// Interrupted returns the interrupt that contains the depth d. It returns nil if d lies on
// the wall.
func (j *Job) Interrupted(d Length) *Interrupt {
	for i, in := range j.Interrupts {
		if d >= in.From && d <= in.To {
			return &j.Interrupts[i]
		}
	}
	return nil
}

// Plausible reports whether a bore of this job can possibly have the size.
func (j *Job) Plausible(size Length) bool {
	return (size - j.Nominal).Abs() <= Length(j.Band)
}

// Ring is a master of known size: a setting ring with the figures of its certificate.
type Ring struct {
	ID        string    `json:"id"`
	Size      Length    `json:"size_mm"`              // certified, at 20 °C
	U         Deviation `json:"u_um"`                 // expanded uncertainty, k = 2
	Nominal   Length    `json:"nominal_mm,omitempty"` // as engraved, 0 if not stated; no size is computed from it
	Material  string    `json:"material,omitempty"`
	Due       time.Time `json:"due,omitzero"` // of the next calibration
	Certified string    `json:"certificate,omitempty"`
	// CertificateFile is the SHA-256 of the certificate's file, in hex; empty if it is not kept.
	CertificateFile string `json:"certificate_file,omitempty"`
}

// Overdue reports whether a calibration was due on a day before at. On the day itself the
// calibration is still in date (common practice). A due of 0 means not stated, and is never
// overdue.
func Overdue(due, at time.Time) bool {
	return !due.IsZero() && at.Format(time.DateOnly) > due.Format(time.DateOnly)
}

// Reading is a captured size after correction, with the place where it was taken.
type Reading struct {
	Place
	Round int `json:"round"` // 0 before the first spell of honing
	// Size is the diameter at this place, corrected to the master and, where
	// the temperatures are known, to 20 °C.
	Size Length `json:"size_mm"`
	// U is the standard uncertainty of the capture alone (type A), 0 if not known.
	U  Deviation `json:"capture_u_um,omitempty"`
	At time.Time `json:"at"`
}
