package study

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"fairbore/analysis"
)

// quantile returns the standard normal quantile.
func quantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// Interval is a two-sided tolerance interval by Howe. It covers a share of all parts, not
// only of the measured ones.
type Interval struct {
	Coverage   float64 `json:"coverage"`   // share of the parts
	Confidence float64 `json:"confidence"` // confidence that the interval covers this share
	Factor     Stat    `json:"factor"`     // number of standard deviations from the mean
	Low        Stat    `json:"low"`        // µm
	High       Stat    `json:"high"`       // µm
}

// OneSidedFactor returns the factor k of a one-sided limit. With the given confidence,
// mean + k s (or mean − k s) bounds at least the share coverage of a normal population.
// k = t(confidence; n−1, z√n)/√n with the noncentral t. It is exact (ISO 16269-6,
// NIST/SEMATECH e-Handbook 7.2.6.3).
func OneSidedFactor(n int, coverage, confidence float64) Stat {
	if why := factorFault(n, coverage, confidence); !why.IsZero() {
		return none(n, why)
	}
	root := math.Sqrt(float64(n))
	t := distuv.NoncentralT{Nu: float64(n - 1), Mu: quantile(coverage) * root}
	return stat(t.Quantile(confidence)/root, n)
}

// TwoSidedFactor returns the factor k of a two-sided interval. With the given confidence,
// mean ± k s covers at least the share coverage. k follows Howe's approximation (J. Am.
// Stat. Assoc. 64 (1969) 610; NIST/SEMATECH e-Handbook 7.2.6.3).
func TwoSidedFactor(n int, coverage, confidence float64) Stat {
	if why := factorFault(n, coverage, confidence); !why.IsZero() {
		return none(n, why)
	}
	df := float64(n - 1)
	chi := distuv.ChiSquared{K: df}.Quantile(1 - confidence)
	return stat(quantile((1+coverage)/2)*math.Sqrt(df*(1+1/float64(n))/chi), n)
}

func factorFault(n int, coverage, confidence float64) analysis.Phrase {
	switch {
	case n < 2:
		return analysis.Say("study.why.two_readings")
	case !(coverage > 0 && coverage < 1) || !(confidence > 0 && confidence < 1):
		return analysis.Say("study.why.shares")
	}
	return analysis.Phrase{}
}

// ToleranceInterval returns the interval that holds the share coverage of all parts with
// the given confidence. It presumes that the sizes are normal. It fails where [Describe]
// fails.
func ToleranceInterval(x []float64, coverage, confidence float64) (Interval, error) {
	s, err := Describe(x)
	if err != nil {
		return Interval{}, err
	}
	k := TwoSidedFactor(s.N, coverage, confidence)
	i := Interval{Coverage: coverage, Confidence: confidence, Factor: k, Low: k, High: k}
	if !k.OK {
		i.Coverage, i.Confidence = finite(coverage), finite(confidence)
		return i, nil
	}
	i.Low = stat(s.Mean.Value-k.Value*s.SD.Value, s.N)
	i.High = stat(s.Mean.Value+k.Value*s.SD.Value, s.N)
	return i, nil
}

func finite(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}
