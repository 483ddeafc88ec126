package plan

import (
	"errors"
	"strings"

	"fairbore/analysis"
)

// Holds says for which state of the part the drawing's limits are meant.
type Holds uint8

// The states.
const (
	Unstated Holds = iota
	Finished       // the bore as it leaves honing, in place
	Plated         // after plating, which makes the bore smaller
)

var holdsNames = [...]string{"", "finished", "plated"}

// String returns "finished", "plated" or nothing.
func (h Holds) String() string { return holdsNames[min(int(h), len(holdsNames)-1)] }

// MarshalText writes the word of String.
func (h Holds) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads the word of String.
func (h *Holds) UnmarshalText(b []byte) error {
	for i, name := range holdsNames {
		if strings.EqualFold(name, string(b)) {
			*h = Holds(i)
			return nil
		}
	}
	return analysis.Say("plan.fault.holds", string(b))
}

// Tooling is what the bore is honed with.
type Tooling uint8

// The tooling.
const (
	NoTooling Tooling = iota
	HandHeld          // rigid multi-stone tool, driven by a drill
	Stroked           // stone and shoe on a stroking honing machine
)

// toolingHolds lists the tolerance and form that each tooling can hold, usually and with care
// (common practice).
var toolingHolds = [...]struct {
	name           string
	usual, careful analysis.Deviation
}{
	{"", 0, 0},
	{"hand-held", analysis.Deviation(500 * analysis.MicroInch), analysis.Deviation(200 * analysis.MicroInch)},
	{"stroked", analysis.Deviation(50 * analysis.MicroInch), analysis.Deviation(25 * analysis.MicroInch)},
}

// String returns "hand-held", "stroked" or nothing.
func (t Tooling) String() string { return toolingHolds[min(int(t), len(toolingHolds)-1)].name }

// MarshalText writes the word of String.
func (t Tooling) MarshalText() ([]byte, error) { return []byte(t.String()), nil }

// UnmarshalText reads the word of String.
func (t *Tooling) UnmarshalText(b []byte) error {
	for i, h := range toolingHolds {
		if strings.EqualFold(h.name, string(b)) {
			*t = Tooling(i)
			return nil
		}
	}
	return analysis.Say("plan.fault.tooling", string(b))
}

// Request holds what is known before cutting. Give the limits, or a nominal size and an ISO
// 286 hole class. All other fields are optional and make the plan more precise.
type Request struct {
	Title   string          `json:"title,omitempty"`
	Nominal analysis.Length `json:"nominal_mm"`
	Class   string          `json:"class,omitempty"` // "H7"; only without Low and High
	analysis.Limits
	Holds   Holds              `json:"limits_hold,omitempty"`
	Plating analysis.Deviation `json:"plating_um,omitempty"` // thickness on each wall, with Holds Plated
	Form    analysis.Deviation `json:"form_um,omitempty"`    // form limit; 0: none
	Tooling Tooling            `json:"tooling,omitempty"`

	Process Process            `json:"process,omitempty"`
	Band    *Band              `json:"band,omitempty"` // the shop's own stock
	Oval    analysis.Deviation `json:"oval_um,omitempty"`
	Taper   analysis.Deviation `json:"taper_um,omitempty"`
	Damage  analysis.Deviation `json:"damage_um,omitempty"` // depth of the marks to remove, about Rt
	Stock   analysis.Deviation `json:"stock_um,omitempty"`  // wanted stock; 0: the plan chooses it
	Bite    analysis.Deviation `json:"bite_um,omitempty"`   // the most that a round takes off; 0: not known

	// Press is the bush to press in first. With a Bore of 0 the plan works out the bore to
	// which the bush should be made.
	Press *Press          `json:"press,omitempty"`
	Entry analysis.Length `json:"entry_mm,omitempty"` // smallest bore that the mandrel enters
	Gauge *Gauge          `json:"gauge,omitempty"`
}

// limits returns the limits to hone to, with notes on them.
func (r *Request) limits() (lim analysis.Limits, n notes, err error) {
	lim = r.Limits
	switch {
	case r.Class == "" && lim.Low == 0 && lim.High == 0:
		return lim, nil, analysis.Say("plan.fault.no_limits")
	case r.Class != "" && (lim.Low != 0 || lim.High != 0):
		return lim, nil, analysis.Say("plan.fault.class_and_limits")
	case r.Class != "":
		c, err := ParseClass(r.Class)
		if err != nil {
			return lim, nil, err
		}
		if !c.Hole() {
			return lim, nil, analysis.Say("plan.fault.shaft", c.String(), strings.ToUpper(c.String()))
		}
		t, err := ISO(r.Nominal, c)
		if err != nil {
			return lim, nil, err
		}
		lim.Low, lim.High = t.Limits()
	}
	if err := r.checkLimits(lim, &n); err != nil {
		return lim, nil, err
	}
	if err := r.plate(&lim, &n); err != nil {
		return lim, nil, err
	}
	if lim.Target == 0 {
		lim.Target = (lim.Low + lim.High) / 2
	}
	if lim.Target <= lim.Low || lim.Target >= lim.High {
		return lim, nil, analysis.Say("plan.fault.target", analysis.Size(lim.Target), analysis.Size(lim.Low), analysis.Size(lim.High))
	}
	return lim, n, nil
}

// largest is the largest bore that can be planned. With a larger one somebody mixed up units.
const largest = 1000 * analysis.Millimetre

// checkLimits refuses impossible limits. It adds a warning for limits that look as if
// somebody mixed up inch and mm.
func (r *Request) checkLimits(lim analysis.Limits, n *notes) error {
	if lim.Low <= 0 || lim.High > largest {
		return analysis.Say("plan.fault.limits_range", analysis.Size(lim.Low), analysis.Size(lim.High))
	}
	if lim.High <= lim.Low {
		return analysis.Say("plan.fault.limits_order", analysis.Size(lim.High), analysis.Size(lim.Low))
	}
	if r.Class == "" && r.Nominal != 0 && (r.Nominal < lim.Low || r.Nominal > lim.High) {
		far := max(lim.Low-r.Nominal, r.Nominal-lim.High)
		if far*100 > r.Nominal.Abs() {
			return analysis.Say("plan.fault.nominal", analysis.Size(r.Nominal), analysis.Size(lim.Low), analysis.Size(lim.High))
		}
		n.add(Warning, "nominal", analysis.Size(r.Nominal))
	}
	if tol := lim.High - lim.Low; tol*100 > lim.High {
		n.add(Warning, "wide", analysis.Deviation(tol))
	}
	return nil
}

// plate moves the limits from the plated bore to the bore to hone. The bore to hone is larger
// by the plating on both walls (geometry).
func (r *Request) plate(lim *analysis.Limits, n *notes) error {
	switch {
	case r.Plating < 0 || analysis.Length(r.Plating) > analysis.Millimetre:
		return analysis.Say("plan.fault.plating")
	case r.Holds == Plated && r.Plating == 0:
		return analysis.Say("plan.fault.plating_missing")
	case r.Holds != Plated && r.Plating > 0:
		return analysis.Say("plan.fault.plating_unsaid")
	case r.Holds == Unstated:
		n.add(Warning, "holds")
	case r.Holds == Plated:
		both := analysis.Length(2 * r.Plating)
		lim.Low, lim.High = lim.Low+both, lim.High+both
		if lim.Target != 0 {
			lim.Target += both
		}
		n.add(Remark, "plating", analysis.Deviation(both))
	}
	return nil
}

// check reports impossible values, except in the limits.
func (r *Request) check() error {
	var faults []error
	for _, v := range []struct {
		name string
		d    analysis.Deviation
	}{{"form_limit", r.Form}, {"oval", r.Oval}, {"taper", r.Taper}, {"damage", r.Damage}, {"stock", r.Stock}, {"bite", r.Bite}} {
		if v.d < 0 || analysis.Length(v.d) > 10*analysis.Millimetre {
			faults = append(faults, analysis.Say("plan.fault.deviation", analysis.Say("plan.field."+v.name)))
		}
	}
	if b := r.Band; b != nil && (b.Low <= 0 || b.High < b.Low) {
		faults = append(faults, analysis.Say("plan.fault.band"))
	}
	if r.Press != nil && r.Process != Pressed && r.Process != NoProcess {
		faults = append(faults, analysis.Say("plan.fault.not_pressed", r.Process.phrase()))
	}
	if r.Process > Pressed || r.Holds > Plated || r.Tooling > Stroked {
		faults = append(faults, analysis.Say("plan.fault.no_such_value"))
	}
	if r.Entry < 0 {
		faults = append(faults, analysis.Say("plan.fault.entry"))
	}
	return errors.Join(faults...)
}
