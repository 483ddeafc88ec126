package plan

import (
	"strings"

	"fairbore/analysis"
)

// Fit is a hole and the shaft (or bush) that goes into it.
type Fit struct {
	Hole  Toleranced `json:"hole"`
	Shaft Toleranced `json:"shaft"`
}

// Clearance returns the least and the most clearance. A negative clearance is an
// interference.
// Source: ISO 286-1:2010.
func (f Fit) Clearance() (least, most analysis.Deviation) {
	holeLow, holeHigh := f.Hole.Limits()
	shaftLow, shaftHigh := f.Shaft.Limits()
	return analysis.Deviation(holeLow - shaftHigh), analysis.Deviation(holeHigh - shaftLow)
}

// Kind returns the kind of fit (ISO 286-1:2010, 3.3). With "clearance" the parts always go
// together freely. With "interference" they always have to be pressed. With "transition"
// either is possible.
func (f Fit) Kind() string {
	least, most := f.Clearance()
	switch {
	case least >= 0:
		return "clearance"
	case most <= 0:
		return "interference"
	}
	return "transition"
}

// Text returns the limits of both parts and the clearance or interference, one phrase for
// each line.
func (f Fit) Text() []analysis.Phrase {
	least, most := f.Clearance()
	line := func(code string, t Toleranced) analysis.Phrase {
		low, high := t.Limits()
		return analysis.Say(code, t.Class, analysis.Size(low), analysis.Size(high))
	}
	lines := []analysis.Phrase{line("fit.hole", f.Hole), line("fit.shaft", f.Shaft)}
	switch f.Kind() {
	case "clearance":
		return append(lines, analysis.Say("fit.clearance", least, most))
	case "interference":
		return append(lines, analysis.Say("fit.interference", -most, -least))
	}
	return append(lines, analysis.Say("fit.transition", most, -least))
}

// ParseFit reads a size with the classes of hole and shaft, such as "28.6 H7/p6". It also
// reads a size with an ANSI B4.1 fit, such as "1.125 in FN2" or "1-1/8 in FN2".
func ParseFit(s string) (Fit, error) {
	nominal, rest, err := splitSize(s)
	if err != nil {
		return Fit{}, err
	}
	hole, shaft, pair := strings.Cut(rest, "/")
	if !pair {
		return ANSI(nominal, rest)
	}
	var f Fit
	for _, side := range []struct {
		class string
		hole  bool
		to    *Toleranced
	}{{hole, true, &f.Hole}, {shaft, false, &f.Shaft}} {
		c, err := ParseClass(side.class)
		if err != nil {
			return Fit{}, analysis.Say("fit.fault", s, err)
		}
		if c.Hole() != side.hole {
			return Fit{}, analysis.Say("fit.order", s)
		}
		if *side.to, err = ISO(nominal, c); err != nil {
			return Fit{}, analysis.Say("fit.fault", s, err)
		}
	}
	return f, nil
}

// ANSI returns the limits of a fit of ANSI B4.1-1967, such as RC3 or FN2, at a nominal size
// up to 3.15 in. The table has RC1 to RC6, LC1, LC6, LT1, LT3, LN1 to LN3 and FN1 to FN5.
// Some of these fits do not cover all sizes. ANSI fails for fits and sizes that are not in
// the table.
func ANSI(nominal analysis.Length, class string) (Fit, error) {
	class = strings.ToUpper(strings.ReplaceAll(class, " ", ""))
	begins, ends := analysis.Length(0), analysis.Length(0)
	for _, r := range ansiRows {
		if r.class != class {
			continue
		}
		over, upTo := analysis.Length(r.over)*analysis.MicroInch, analysis.Length(r.upTo)*analysis.MicroInch
		if nominal > over && nominal <= upTo {
			uin := analysis.Deviation(analysis.MicroInch)
			return Fit{
				Hole:  Toleranced{nominal, class, analysis.Deviation(r.holeUpper) * uin, analysis.Deviation(r.holeLower) * uin},
				Shaft: Toleranced{nominal, class, analysis.Deviation(r.shaftUpper) * uin, analysis.Deviation(r.shaftLower) * uin},
			}, nil
		}
		if ends == 0 {
			begins = over
		}
		ends = upTo
	}
	if ends == 0 {
		return Fit{}, analysis.Say("fit.unknown", class)
	}
	if nominal > 0 && nominal <= begins {
		return Fit{}, analysis.Say("fit.begins", class, analysis.Size(begins), analysis.Size(nominal))
	}
	return Fit{}, analysis.Say("fit.ends", class, analysis.Size(nominal), analysis.Size(ends))
}
