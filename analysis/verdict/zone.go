// Package verdict decides whether a bore conforms. It judges each local size, and the form
// characteristics that a two-point gauge can judge. It uses the decision rule of ISO 14253-1 with a
// guard band, and the result names that guard band.
//
// The worst single reading decides, never an average. Limits are compared as exact lengths. A
// computed guard band is rounded away from acceptance. More uncertainty never turns a rejection, or
// an "uncertain", into an acceptance.
package verdict

import (
	"math"

	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
)

// Rule is a decision rule, by the name that is recorded with each verdict.
type Rule string

// The rules. g is the guard band: the acceptance zone is smaller than the tolerance by g at each
// limit, and the rejection zone starts further out by g.
const (
	// Simple acceptance has g = 0. A size that measures within the limits is accepted, and the
	// customer bears the risk of the uncertainty (JCGM 106:2012, 8.2).
	Simple Rule = "simple"
	// Confidence95 accepts at a conformance probability of at least 95 %: g = 1.645 u. g is larger
	// where the tolerance is so narrow that both limits count (ISO 14253-1:2017 as its summaries
	// describe it; JCGM 106:2012, Table 1).
	Confidence95 Rule = "1.645u"
	// Expanded accepts only a size that lies within the limits by at least the expanded
	// uncertainty: g = U (ISO 14253-1:1998; JCGM 106:2012, 8.3.2).
	Expanded Rule = "U"
)

// Phrase returns the name of the rule in a record.
func (r Rule) Phrase() analysis.Phrase { return analysis.Say("verdict.rule." + string(r)) }

// ParseRule reads a rule as a person writes it in a configuration: "0" or
// simple, "1.645" or "95 %", "U".
func ParseRule(s string) (Rule, error) {
	switch s {
	case "0", string(Simple):
		return Simple, nil
	case "1.645", "1.645 u", "95 %", "95%", string(Confidence95):
		return Confidence95, nil
	case "2u", "2 u", string(Expanded):
		return Expanded, nil
	}
	return "", analysis.Say("verdict.rule_unknown", s)
}

// z95 is the one-sided 95 % point of the normal distribution (JCGM 106:2012,
// Table 1 rounds it to 1.64).
const z95 = 1.6448536269514722

// Decision is the result of comparing a value with limits.
type Decision string

// The decisions. NotJudged means that something needed to decide is missing.
const (
	Conforms       Decision = "conforms"
	DoesNotConform Decision = "does not conform"
	Uncertain      Decision = "uncertain"
	NotJudged      Decision = "cannot judge"
)

// weight orders decisions by precedence. One decision that does not conform decides for the whole.
// Otherwise one decision in doubt leaves the whole in doubt.
func (d Decision) weight() int {
	switch d {
	case Conforms:
		return 0
	case NotJudged:
		return 1
	case Uncertain:
		return 2
	}
	return 3
}

func worse(a, b Decision) Decision {
	if b.weight() > a.weight() {
		return b
	}
	return a
}

// Zone is a tolerance with its guard bands. A value from AcceptLow to AcceptHigh conforms. If
// AcceptLow is above AcceptHigh, no value conforms. A value below RejectLow or above RejectHigh
// does not conform. A value in between is uncertain. With OneSided there is no low limit, as for a
// form error.
type Zone struct {
	Rule       Rule               `json:"rule"`
	OneSided   bool               `json:"one_sided,omitempty"`
	Low        analysis.Length    `json:"low_mm"`
	High       analysis.Length    `json:"high_mm"`
	AcceptLow  analysis.Length    `json:"accept_low_mm"`
	AcceptHigh analysis.Length    `json:"accept_high_mm"`
	RejectLow  analysis.Length    `json:"reject_low_mm"`
	RejectHigh analysis.Length    `json:"reject_high_mm"`
	Guard      analysis.Deviation `json:"guard_um"`
	// Standard is the standard uncertainty for probabilities.
	Standard analysis.Deviation `json:"standard_um"`
}

// widest is the largest uncertainty that is accepted (100 m), so that no sum overflows.
const widest = analysis.Deviation(1e12)

// NewZone returns the zones of a rule. It fails when the rule needs an uncertainty and none is stated,
// or when the limits are the wrong way round. Source: ISO 14253-1 (from memory).
func NewZone(low, high analysis.Length, rule Rule, u uncertainty.Stated) (Zone, error) {
	return newZone(low, high, false, rule, u)
}

// NewUpperZone returns the zones of a characteristic with an upper limit only. Source: ISO 14253-1
// (from memory).
func NewUpperZone(high analysis.Length, rule Rule, u uncertainty.Stated) (Zone, error) {
	return newZone(0, high, true, rule, u)
}

func newZone(low, high analysis.Length, oneSided bool, rule Rule, u uncertainty.Stated) (Zone, error) {
	switch {
	case low >= high:
		return Zone{}, analysis.Say("verdict.limits.order", analysis.Size(low), analysis.Size(high))
	case max(low.Abs(), high.Abs()) > analysis.Length(widest):
		return Zone{}, analysis.Say("verdict.limits.unit", analysis.Size(low), analysis.Size(high))
	case rule != Simple && (u.Standard <= 0 || u.Expanded <= 0):
		return Zone{}, analysis.Say("verdict.limits.no_u", rule.Phrase())
	}
	standard, expanded := min(max(u.Standard, 0), widest), min(max(u.Expanded, 0), widest)
	var inner, outer analysis.Deviation
	switch rule {
	case Simple:
	case Confidence95:
		outer = analysis.Deviation(math.Ceil(z95 * float64(standard)))
		inner = outer
		if !oneSided {
			inner = bothTails(analysis.Deviation(high-low), standard, outer)
		}
	case Expanded:
		inner, outer = expanded, expanded
	default:
		return Zone{}, analysis.Say("verdict.rule_unknown", string(rule))
	}
	z := Zone{Rule: rule, OneSided: oneSided, Low: low, High: high, Guard: inner, Standard: standard,
		AcceptLow: low + analysis.Length(inner), AcceptHigh: high - analysis.Length(inner),
		RejectLow: low - analysis.Length(outer), RejectHigh: high + analysis.Length(outer)}
	if oneSided {
		z.AcceptLow, z.RejectLow = 0, 0
	}
	return z, nil
}

// bothTails returns the smallest guard band of at least g that gives a conformance probability of
// 95 % at its edge, with both limits counted. If there is no such guard band, it returns more than
// half the tolerance. It returns g itself unless the tolerance is below about 6 u.
func bothTails(tol, u, g analysis.Deviation) analysis.Deviation {
	enough := func(g analysis.Deviation) bool {
		// The margin covers the floating-point error of a probability.
		return conformance(0, float64(tol), float64(g), float64(u)) >= 0.95-1e-9
	}
	lo, hi := g, tol/2+1
	if lo >= hi || enough(lo) {
		return lo
	}
	if !enough(tol / 2) {
		return hi
	}
	for hi = tol / 2; hi-lo > 1; {
		if mid := lo + (hi-lo)/2; enough(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}

// conformance returns the probability that a quantity lies from low to high. The quantity was
// measured as y with the standard uncertainty u, and its distribution is normal (JCGM 106:2012,
// 7.2). All four arguments have the same unit, which may be any. Without uncertainty the
// probability is 0 or 1.
func conformance(low, high, y, u float64) float64 {
	if u <= 0 {
		if y >= low && y <= high {
			return 1
		}
		return 0
	}
	// The tails are added, not subtracted, so that a probability near 0 keeps its digits.
	a, b := (low-y)/(u*math.Sqrt2), (high-y)/(u*math.Sqrt2)
	switch {
	case a > 0:
		return (math.Erfc(a) - math.Erfc(b)) / 2
	case b < 0:
		return (math.Erfc(-b) - math.Erfc(-a)) / 2
	}
	return 1 - (math.Erfc(-a)+math.Erfc(b))/2
}

// Side says on which side of the tolerance a value lies, or on which side it is in doubt.
type Side string

// The sides; Inside is the zero value.
const (
	Inside Side = ""
	Under  Side = "low"
	Above  Side = "high"
)

// Decide judges a value. Where both limits are in doubt it returns the high side, because material
// that was removed can't be put back. Source: ISO 14253-1 (from memory).
func (z *Zone) Decide(v analysis.Length) (Decision, Side) {
	switch {
	case v > z.RejectHigh:
		return DoesNotConform, Above
	case !z.OneSided && v < z.RejectLow:
		return DoesNotConform, Under
	case v > z.AcceptHigh:
		return Uncertain, Above
	case !z.OneSided && v < z.AcceptLow:
		return Uncertain, Under
	}
	return Conforms, Inside
}

// Probability returns the conformance probability of a value, 0 to 1.
// Source: JCGM 106:2012, 7.2 (from memory).
func (z *Zone) Probability(v analysis.Length) float64 {
	low := float64(z.Low)
	if z.OneSided {
		low = math.Inf(-1)
	}
	return conformance(low, float64(z.High), float64(v), float64(z.Standard))
}

// Fit says how the uncertainty compares with the tolerance.
type Fit string

// The fits, by tolerance / 2U (common practice).
const (
	GoodFit Fit = ""
	PoorFit Fit = "poor"
	NotFit  Fit = "not"
	NoFit   Fit = "none"
)

// fit returns tolerance / 2U and its Fit. For a one-sided limit it returns limit / U.
func fit(low, high analysis.Length, oneSided bool, u uncertainty.Stated) (ratio float64, f Fit) {
	if u.Expanded <= 0 {
		return 0, NoFit
	}
	ratio = float64(high-low) / (2 * float64(u.Expanded))
	if oneSided {
		ratio *= 2
	}
	switch {
	case ratio < 1:
		return ratio, NotFit
	case ratio < 2:
		return ratio, PoorFit
	}
	return ratio, GoodFit
}
