package plan

import (
	"strconv"
	"strings"

	"fairbore/analysis"
)

// tenth is the unit of the ISO 286 tables, 0.1 µm.
const tenth = analysis.Deviation(analysis.Micrometre / 10)

// Class is a tolerance class of ISO 286: the letter of its fundamental
// deviation (a capital for a hole) and its standard tolerance grade.
type Class struct {
	Letter string
	Grade  int // 1 to 18; 0 for IT0, -1 for IT01
}

// Hole reports whether the class is for a hole.
func (c Class) Hole() bool { return c.Letter != strings.ToLower(c.Letter) }

// String writes the class as on a drawing: H7, js6, h01.
func (c Class) String() string {
	if c.Grade < 0 {
		return c.Letter + "01"
	}
	return c.Letter + strconv.Itoa(c.Grade)
}

// ParseClass reads a tolerance class such as H7 or p6. It fails for a letter or a grade that
// the tables do not have. The error says what the tables have.
func ParseClass(s string) (Class, error) {
	s = strings.TrimSpace(s)
	if strings.Contains(s, "/") {
		return Class{}, analysis.Say("fit.class.of_two", s)
	}
	i := strings.IndexAny(s, "0123456789")
	if i < 1 {
		return Class{}, analysis.Say("fit.class.form", s)
	}
	c := Class{Letter: s[:i]}
	switch g, err := strconv.Atoi(s[i:]); {
	case s[i:] == "01":
		c.Grade = -1
	case err != nil || g > 18 || strconv.Itoa(g) != s[i:]:
		return Class{}, analysis.Say("fit.class.grade", s)
	default:
		c.Grade = g
	}
	if low := strings.ToLower(c.Letter); low != "js" && (len(low) != 1 || !strings.Contains(isoLetters, low)) ||
		(c.Letter != low && c.Letter != strings.ToUpper(low)) {
		return Class{}, analysis.Say("fit.class.letter", s)
	}
	return c, nil
}

// Toleranced is a nominal size with its limit deviations.
type Toleranced struct {
	Nominal analysis.Length    `json:"nominal_mm"`
	Class   string             `json:"class"` // "H7", "FN2 hole"
	Upper   analysis.Deviation `json:"upper_um"`
	Lower   analysis.Deviation `json:"lower_um"`
}

// Limits returns the low and the high limit of size.
// Source: ISO 286-1:2010.
func (t Toleranced) Limits() (low, high analysis.Length) {
	return t.Nominal + analysis.Length(t.Lower), t.Nominal + analysis.Length(t.Upper)
}

// ISO returns the limit deviations of a class at a nominal size above 0 and up to 500 mm
// (ISO 286-1:2010). It fails for a size or class outside the tables. For sizes up to 1 mm it
// also fails for the classes that the standard excludes there (ISO 286-1:2010, notes to
// Tables 1 and 3: IT14 to IT18 by public transcriptions, N from memory).
func ISO(nominal analysis.Length, c Class) (Toleranced, error) {
	if nominal <= 0 || nominal > 500*analysis.Millimetre {
		return Toleranced{}, analysis.Say("fit.class.nominal", analysis.Size(nominal))
	}
	if c.Grade < -1 || c.Grade > 18 {
		return Toleranced{}, analysis.Say("fit.class.grade", c.String())
	}
	if nominal <= analysis.Millimetre && (c.Grade >= 14 || c.Letter == "N" && c.Grade > 8) {
		return Toleranced{}, analysis.Say("fit.class.small", c.String())
	}
	step := isoStepOf(nominal)
	it := analysis.Deviation(step.grade[c.Grade+1]) * tenth
	fundamental, err := shaftDeviation(nominal, c)
	if err != nil {
		return Toleranced{}, err
	}
	var lower, upper analysis.Deviation
	switch low := strings.ToLower(c.Letter); {
	case low == "js":
		// The value is not rounded to whole micrometres. ISO 286-1 allows that rounding in some
		// grades.
		lower, upper = -it/2, it/2
	case low <= "h" && c.Hole():
		lower, upper = -fundamental, -fundamental+it
	case low <= "h":
		lower, upper = fundamental-it, fundamental
	case c.Hole():
		if upper, err = holeUpper(nominal, c, fundamental, step); err != nil {
			return Toleranced{}, err
		}
		lower = upper - it
	default:
		lower, upper = fundamental, fundamental+it
	}
	return Toleranced{Nominal: nominal, Class: c.String(), Upper: upper, Lower: lower}, nil
}

// shaftDeviation returns the fundamental deviation of the shaft with the letter of the class.
// For a hole it is the shaft from which the hole is derived.
func shaftDeviation(nominal analysis.Length, c Class) (analysis.Deviation, error) {
	letter := strings.ToLower(c.Letter)
	if letter == "js" {
		return 0, nil
	}
	i := strings.Index(isoLetters, letter)
	if i < 0 || len(letter) != 1 {
		return 0, analysis.Say("fit.class.letter", c.String())
	}
	row := isoDeviations[0]
	for _, row = range isoDeviations {
		if nominal <= analysis.Length(row.upTo)*analysis.Millimetre {
			break
		}
	}
	switch dev := analysis.Deviation(row.dev[i]); {
	case dev == none:
		return 0, analysis.Say("fit.class.begins", c.String(), c.Letter, analysis.Size(nominal), string(c.Letter[0]+1))
	case letter == "k" && !c.Hole() && (c.Grade < 4 || c.Grade > 7):
		return 0, nil // k has a deviation other than 0 in the grades 4 to 7 only
	default:
		return dev * tenth, nil
	}
}

// holeUpper returns the upper deviation ES of a hole K to U. It is the deviation of the shaft
// with its sign changed, plus Δ in the finer grades (ISO 286-1:2010, Table 3 and its notes).
func holeUpper(nominal analysis.Length, c Class, shaft analysis.Deviation, step *isoStep) (analysis.Deviation, error) {
	mm := analysis.Millimetre
	letter := c.Letter
	finest := 7 // the coarsest grade with Δ
	if letter == "K" || letter == "M" || letter == "N" {
		finest = 8
	}
	switch {
	case c.Grade > finest && letter == "K" && nominal > 3*mm:
		return 0, analysis.Say("fit.class.k_grade", c.String())
	case c.Grade > finest && letter == "N" && nominal > 3*mm:
		return 0, nil
	case c.Grade > finest, nominal <= 3*mm: // without Δ
		return -shaft, nil
	case c.Grade < 3:
		return 0, analysis.Say("fit.class.fine", c.String())
	case letter == "M" && c.Grade == 6 && nominal > 250*mm && nominal <= 315*mm:
		return -90 * tenth, nil // the one exception to the rule
	}
	return -shaft + analysis.Deviation(step.delta[c.Grade-3])*tenth, nil
}

func isoStepOf(nominal analysis.Length) *isoStep {
	for i := range isoSteps {
		if nominal <= analysis.Length(isoSteps[i].upTo)*analysis.Millimetre {
			return &isoSteps[i]
		}
	}
	return &isoSteps[len(isoSteps)-1]
}

// ParseToleranced reads a nominal size with its ISO class, such as "25H7", "22 p6", "1 in H7"
// or "7/8 in H7". A size without a unit is in mm, as in the standard.
func ParseToleranced(s string) (Toleranced, error) {
	nominal, class, err := splitSize(s)
	if err != nil {
		return Toleranced{}, err
	}
	c, err := ParseClass(class)
	if err != nil {
		return Toleranced{}, err
	}
	return ISO(nominal, c)
}

func splitSize(s string) (nominal analysis.Length, rest string, err error) {
	t := strings.TrimSpace(s)
	i := strings.IndexFunc(t, func(r rune) bool { return !strings.ContainsRune("0123456789.,+-/ ", r) })
	if i < 1 {
		return 0, "", analysis.Say("fit.size", s)
	}
	number, rest, unit := strings.TrimSpace(t[:i]), t[i:], "mm"
	for _, u := range []string{"mm", "in", `"`} {
		if r, ok := strings.CutPrefix(rest, u); ok {
			unit, rest = u, strings.TrimSpace(r)
			break
		}
	}
	nominal, err = analysis.ParseLength(number + unit)
	if err != nil {
		return 0, "", analysis.Say("fit.size_fault", s, analysis.LengthFault(number+unit, err))
	}
	return nominal, rest, nil
}
