package plan

import "fairbore/analysis"

// Gauge holds what is known about the gauge and about the ring that sets it.
type Gauge struct {
	ID         string             `json:"id"`
	Resolution analysis.Deviation `json:"resolution_um"`
	U          analysis.Deviation `json:"u_um"` // expanded uncertainty of a size, k = 2; 0: not known
	From       analysis.Length    `json:"from_mm,omitempty"`
	To         analysis.Length    `json:"to_mm,omitempty"` // end of the range; 0: not known
	Ring       analysis.Length    `json:"ring_mm,omitempty"`
	RingClass  string             `json:"ring_class,omitempty"`
	RingU      analysis.Deviation `json:"ring_u_um,omitempty"` // of its certificate, k = 2; 0: not certified
}

// GaugeCheck says how well a gauge suits a tolerance. If AcceptHigh is not above AcceptLow,
// nothing can be accepted.
type GaugeCheck struct {
	Tolerance       analysis.Deviation `json:"tolerance_um"`
	ResolutionShare float64            `json:"resolution_per_tolerance"`
	UShare          float64            `json:"u_per_tolerance"`
	Ratio           float64            `json:"test_ratio"`           // tolerance / 2U; 0: not known
	AcceptLow       analysis.Length    `json:"accept_low_mm"`        // the low limit plus U
	AcceptHigh      analysis.Length    `json:"accept_high_mm"`       // the high limit less U
	RingTolerance   analysis.Deviation `json:"ring_class_um"`        // of its class; 0: not known
	RingShare       float64            `json:"ring_u_per_tolerance"` // of the certificate's U
}

// ringFar is how far a ring may be from the size of the bore before somebody should confirm
// the ring (common practice).
const ringFar = analysis.Millimetre / 10

// The resolution and the uncertainty of a gauge should be at most a tenth of the tolerance,
// a quarter at worst. The ratio tolerance/2U should be at least 2, never below 1. Both are
// common practice.
const (
	tenthOf, quarterOf  = 0.1, 0.25
	ratioGood, ratioFit = 2, 1
)

// CheckGauge says whether a gauge is good enough for the limits. It returns the reasons as
// notes. It fails for limits without a tolerance and for negative values.
// Source: common practice (a tenth of the tolerance, a quarter at worst).
func CheckGauge(g Gauge, lim analysis.Limits) (GaugeCheck, []Note, error) {
	tol := analysis.Deviation(lim.High - lim.Low)
	if tol <= 0 {
		return GaugeCheck{}, nil, analysis.Say("plan.fault.limits")
	}
	if g.Resolution <= 0 || g.U < 0 || g.RingU < 0 || g.From < 0 || g.To < g.From {
		return GaugeCheck{}, nil, analysis.Say("plan.fault.gauge")
	}
	if g.Ring < 0 {
		return GaugeCheck{}, nil, analysis.Say("plan.fault.ring", analysis.Size(g.Ring))
	}
	c := GaugeCheck{
		Tolerance:       tol,
		ResolutionShare: float64(g.Resolution) / float64(tol),
		UShare:          float64(g.U) / float64(tol),
		RingShare:       float64(g.RingU) / float64(tol),
		AcceptLow:       lim.Low + analysis.Length(g.U),
		AcceptHigh:      lim.High - analysis.Length(g.U),
	}
	var n notes
	checkShare(&n, "resolution", g.Resolution, c.ResolutionShare)
	switch {
	case g.U == 0:
		n.add(Warning, "no_u")
	default:
		c.Ratio = float64(tol) / (2 * float64(g.U))
		c.checkRatio(&n, g)
	}
	if g.To > 0 && (lim.Low < g.From || lim.High > g.To) {
		n.add(Stop, "gauge_range", analysis.Size(g.From), analysis.Size(g.To))
	}
	err := c.checkRing(&n, g, lim)
	return c, n, err
}

// checkShare adds a note if d is a large share of the tolerance. what is the middle of the
// note's code.
func checkShare(n *notes, what string, d analysis.Deviation, share float64) {
	switch {
	case share > quarterOf:
		n.add(Warning, what+".quarter", d, percent(share))
	case share > tenthOf:
		n.add(Remark, what+".tenth", d, percent(share))
	}
}

func (c GaugeCheck) checkRatio(n *notes, g Gauge) {
	switch {
	case c.Ratio < ratioFit:
		n.add(Stop, "unfit", 2*g.U, c.Tolerance)
	case c.Ratio < ratioGood:
		n.add(Warning, "ratio", analysis.Number{Value: c.Ratio, Places: 1})
	default:
		checkShare(n, "u", g.U, c.UShare)
	}
}

func (c *GaugeCheck) checkRing(n *notes, g Gauge, lim analysis.Limits) error {
	if g.Ring == 0 {
		return nil
	}
	if g.To > 0 && (g.Ring < g.From || g.Ring > g.To) {
		n.add(Stop, "ring_range", analysis.Size(g.Ring))
	} else if off := (g.Ring - (lim.Low+lim.High)/2).Abs(); off > ringFar {
		n.add(Warning, "ring_far", analysis.Size(g.Ring), analysis.Deviation(off))
	}
	if g.RingClass != "" {
		t, err := RingTolerance(g.Ring, g.RingClass)
		if err != nil {
			return err
		}
		c.RingTolerance = t
		if float64(t) > tenthOf*float64(c.Tolerance) {
			n.add(Remark, "ring_class", g.RingClass, t, percent(float64(t)/float64(c.Tolerance)))
		}
	}
	if g.RingU > 0 {
		checkShare(n, "ring_u", g.RingU, c.RingShare)
	} else {
		n.add(Warning, "ring_uncertified")
	}
	return nil
}

// Text returns the check as phrases.
func (c GaugeCheck) Text() []analysis.Phrase {
	lines := []analysis.Phrase{analysis.Say("plan.gauge", percent(c.ResolutionShare), c.Tolerance)}
	switch {
	case c.Ratio == 0:
	case c.AcceptHigh <= c.AcceptLow:
		lines = append(lines, analysis.Say("plan.gauge_nothing"))
	default:
		lines = append(lines, analysis.Say("plan.gauge_ratio", analysis.Number{Value: c.Ratio, Places: 1}, analysis.Size(c.AcceptLow), analysis.Size(c.AcceptHigh)))
	}
	return lines
}
