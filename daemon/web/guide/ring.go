package guide

import (
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
)

// The bounds of what is usual of a ring, beyond which it is asked whether it is meant (common
// practice).
const (
	leastRing = analysis.Millimetre
	mostRing  = 500 * analysis.Millimetre
	mostU     = 5 * analysis.Micrometre
	// farNominal is the largest difference between a ring and the size engraved on it.
	farNominal = analysis.Millimetre / 20
)

// ring reads a setting ring.
func (a *Answers) ring(materials []string) {
	id := a.title(fieldID, analysis.Say("guide.ring.id"))
	if takenKey(id, a.place.Config.Rings) {
		a.bad(fieldID, analysis.Say("guide.ring.taken", id))
	}
	var u analysis.Unit
	if err := u.UnmarshalText([]byte(a.word(fieldUnit))); err != nil || u != analysis.MM && u != analysis.IN {
		a.bad(fieldUnit, analysis.Say("entry.unit"))
		u = analysis.MM
	}
	r := map[string]any{}
	size := a.certified(u)
	r["size"] = exact(size, u)
	if nominal := a.length(fieldNominal, u); nominal != 0 {
		a.engraved(nominal, size)
		r["nominal"] = exact(nominal, u)
	}
	r["u"] = a.uncertainty(size)
	if due := a.due(); due != "" {
		r["due"] = due
	}
	if c := a.word(fieldCertificate); c != "" {
		r["certificate"] = a.title(fieldCertificate, analysis.Phrase{})
	}
	if m := a.word(fieldMaterial); m != "" && m != "steel" {
		if !slices.Contains(materials, m) {
			a.bad(fieldMaterial, analysis.Say("entry.missing.material"))
		}
		r["material"] = m
	}
	a.set(r, "rings", id)
}

// certified reads the size that the certificate states. One with few decimals may be the size that is
// engraved.
func (a *Answers) certified(u analysis.Unit) analysis.Length {
	text := a.word(fieldSize)
	size := a.length(fieldSize, u)
	switch {
	case text == "":
		a.bad(fieldSize, analysis.Say("guide.ring.size"))
	case a.Faults[fieldSize] != "":
	case size <= 0:
		a.bad(fieldSize, analysis.Say("guide.ring.size"))
	default:
		a.Echo[fieldSize] = a.both(size)
		if size < leastRing || size > mostRing {
			a.ask(analysis.Say("guide.ring.ask_unit", a.both(size)))
		}
		places := 4
		if u == analysis.IN {
			places = 5
		}
		if _, after, _ := strings.Cut(strings.ReplaceAll(strings.Fields(text)[0], ",", "."), "."); len(after) < places {
			a.ask(analysis.Say("guide.ring.ask_certified", text, places))
		}
	}
	return size
}

// engraved checks the engraved size against the certified one.
func (a *Answers) engraved(nominal, size analysis.Length) {
	a.Echo[fieldNominal] = a.both(nominal)
	if size > 0 && (nominal-size).Abs() > farNominal {
		a.bad(fieldNominal, analysis.Say("guide.ring.nominal", a.both(nominal), a.both(size)))
	}
}

// uncertainty reads the expanded uncertainty of the certificate.
func (a *Answers) uncertainty(size analysis.Length) string {
	unit := analysis.UM
	if a.word(fieldUUnit) == analysis.UIN.String() || a.word(fieldUUnit) == "uin" {
		unit = analysis.UIN
	}
	v := a.length(fieldU, unit)
	switch {
	case a.Faults[fieldU] != "":
	case a.word(fieldU) == "":
		a.bad(fieldU, analysis.Say("guide.ring.u"))
	case v <= 0 || size > 0 && v > size/100:
		a.bad(fieldU, analysis.Say("guide.ring.u_range"))
	default:
		d := analysis.Deviation(v)
		a.Echo[fieldU] = a.f.Micro(d) + " " + a.f.MicroUnit()
		if v > mostU {
			a.ask(analysis.Say("guide.ring.ask_u", d))
		}
	}
	return exact(v, unit)
}

// due reads the day of the next calibration.
func (a *Answers) due() string {
	text := a.word(fieldDue)
	if text == "" {
		return ""
	}
	day, err := time.Parse(time.DateOnly, text)
	if err != nil || day.Year() < 1990 || day.Year() > 2200 {
		a.bad(fieldDue, analysis.Say("guide.date", text))
		return ""
	}
	if day.AddDate(0, 0, 1).Before(a.place.Now) {
		a.ask(analysis.Say("guide.ring.ask_due", analysis.Day(day)))
	}
	return text
}
