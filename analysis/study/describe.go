package study

import (
	"slices"

	"fairbore/analysis"
)

// Summary describes one set of readings in µm.
type Summary struct {
	N      int     `json:"n"`
	Mean   Stat    `json:"mean"`
	SD     Stat    `json:"sd"` // with n-1 in the denominator
	Min    float64 `json:"min"`
	Max    float64 `json:"max"`
	Median float64 `json:"median"`
	// Lag1 is the correlation of each reading with the reading before it. The denominator
	// is the sum over all n readings, as in the certified values of NIST StRD.
	Lag1 Stat `json:"lag1"`
}

// Describe returns the summary of the readings x, in the order in which they were taken.
// It fails if there are no readings, and for values that cannot be sizes.
// Source: the usual definitions. The tests compare the results with NIST StRD.
func Describe(x []float64) (Summary, error) {
	if err := check(x); err != nil {
		return Summary{}, err
	}
	n := len(x)
	m := mean(x)
	s := Summary{N: n, Mean: stat(m, n), Min: slices.Min(x), Max: slices.Max(x), Median: median(x)}
	if n < 2 {
		s.SD = none(n, analysis.Say("study.why.one_reading"))
		s.Lag1 = s.SD
		return s, nil
	}
	ss := squares(x, m)
	s.SD = stat(squareRoot(ss/float64(n-1)), n)
	switch {
	case n < 3:
		s.Lag1 = none(n, analysis.Say("study.why.three_readings"))
	case ss <= 0:
		s.Lag1 = none(n, analysis.Say("study.why.all_same"))
	default:
		s.Lag1 = stat(sum(n-1, func(i int) float64 { return (x[i] - m) * (x[i+1] - m) })/ss, n)
	}
	return s, nil
}

func median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	if n := len(s); n%2 == 0 {
		return s[n/2-1] + (s[n/2]-s[n/2-1])/2
	}
	return s[len(s)/2]
}
