package study

import (
	"math"
	"slices"

	"fairbore/analysis"
)

// Normal is a hint as to whether readings could come from a normal distribution.
type Normal struct {
	A2 Stat `json:"a2"` // Anderson-Darling, adjusted for the sample's size
	P  Stat `json:"p"`  // chance of an A² at least this large if they do
}

// minNormal is the smallest sample for which the test says anything.
const minNormal = 8

// Normality tests readings by the test of Anderson and Darling. The mean and the standard
// deviation are estimated from the readings, hence A*² = A²(1 + 0.75/n + 2.25/n²). The
// chance of A*² comes from Stephens' fit (D'Agostino & Stephens, Goodness-of-Fit
// Techniques, 1986, Table 4.9). Normality fails where [Describe] fails.
func Normality(x []float64) (Normal, error) {
	s, err := Describe(x)
	if err != nil {
		return Normal{}, err
	}
	n := s.N
	var why analysis.Phrase
	switch {
	case n < minNormal:
		why = analysis.Say("study.why.few_for_normal", n, minNormal)
	case s.SD.Value <= 0:
		why = analysis.Say("study.why.all_same")
	}
	if !why.IsZero() {
		return Normal{none(n, why), none(n, why)}, nil
	}
	sorted := slices.Sorted(slices.Values(x))
	const tiny = 1e-300 // keeps the logarithm of a far tail finite
	a := sum(n, func(i int) float64 {
		low := normal((sorted[i] - s.Mean.Value) / s.SD.Value)
		high := normal(-(sorted[n-1-i] - s.Mean.Value) / s.SD.Value)
		return float64(2*i+1) * (math.Log(max(low, tiny)) + math.Log(max(high, tiny)))
	})
	f := float64(n)
	a2 := (-f - a/f) * (1 + 0.75/f + 2.25/(f*f))
	return Normal{stat(a2, n), stat(chanceOfA2(a2), n)}, nil
}

func chanceOfA2(a float64) float64 {
	switch {
	case a >= 13: // the fit does not reach so far
		return 0
	case a >= 0.6:
		return math.Exp(1.2937 - 5.709*a + 0.0186*a*a)
	case a >= 0.34:
		return math.Exp(0.9177 - 4.279*a - 1.38*a*a)
	case a >= 0.2:
		return 1 - math.Exp(-8.318+42.796*a-59.938*a*a)
	}
	return 1 - math.Exp(-13.436+101.14*a-223.73*a*a)
}
