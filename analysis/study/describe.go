package study

import (
	"fmt"
	"math"
	"slices"
)

// Summary describes one set of readings in µm.
type Summary struct {
	N      int     `json:"n"`
	Mean   Stat    `json:"mean"`
	SD     Stat    `json:"sd"` // with n-1
	Min    float64 `json:"min"`
	Max    float64 `json:"max"`
	Median float64 `json:"median"`
	// Lag1 is the correlation of each reading with the one before it, with the
	// sum over all n in the denominator (as NIST StRD certifies it).
	Lag1 Stat `json:"lag1"`
}

// Describe returns the summary of x, in the order taken. It fails for no
// readings or values that are no sizes.
// Source: the usual definitions; held to NIST StRD.
func Describe(x []float64) (Summary, error) {
	if err := check(x); err != nil {
		return Summary{}, err
	}
	n := len(x)
	m := mean(x)
	s := Summary{N: n, Mean: stat(m, n), Min: slices.Min(x), Max: slices.Max(x), Median: median(x)}
	if n < 2 {
		s.SD = none(n, "one reading has no spread")
		s.Lag1 = s.SD
		return s, nil
	}
	ss := squares(x, m)
	s.SD = stat(squareRoot(ss/float64(n-1)), n)
	switch {
	case n < 3:
		s.Lag1 = none(n, "needs three readings")
	case ss <= 0:
		s.Lag1 = none(n, "all readings are the same")
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

// Text says the summary in plain words.
func (s Summary) Text() []string {
	lines := []string{
		fmt.Sprintf("%d readings, mean %s, standard deviation %s.", s.N, s.Mean.show(" µm"), s.SD.show(" µm")),
		fmt.Sprintf("Smallest %s µm, median %s µm, largest %s µm: a range of %s µm.", figures(s.Min), figures(s.Median), figures(s.Max), figures(s.Max-s.Min)),
	}
	// Two standard errors of a correlation of unrelated readings (Box & Jenkins).
	if s.Lag1.OK && math.Abs(s.Lag1.Value) > 2/math.Sqrt(float64(s.N)) {
		lines = append(lines, fmt.Sprintf("Readings are not independent: each follows the one before (correlation %.2f).", s.Lag1.Value))
	}
	return lines
}
