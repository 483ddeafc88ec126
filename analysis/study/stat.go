package study

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"fairbore/analysis"
)

// Stat is a computed value with the number of readings it rests on. Value is always finite.
// It is 0 if nothing can be computed. If OK is false, it may be an interim figure: show Why
// then, not the value alone.
type Stat struct {
	Value float64         `json:"value"`
	N     int             `json:"n"`   // readings it rests on
	OK    bool            `json:"ok"`  // it may be used
	Why   analysis.Phrase `json:"why"` // the reason not to use it
}

// stat returns a usable value, unless v overflowed.
func stat(v float64, n int) Stat {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return none(n, analysis.Say("study.why.overflow"))
	}
	return Stat{Value: v, N: n, OK: true}
}

// none returns a Stat without a value, with the reason.
func none(n int, why analysis.Phrase) Stat { return Stat{N: n, Why: why} }

// unless returns s. If there is a reason, it marks s as not to be used.
func (s Stat) unless(reason analysis.Phrase) Stat {
	if s.OK && !reason.IsZero() {
		s.OK, s.Why = false, reason
	}
	return s
}

// say returns the value in µm as a phrase, or the reason why there is none.
func (s Stat) say() analysis.Phrase {
	switch {
	case s.OK:
		return analysis.Say("study.value", figures(s.Value))
	case s.Value != 0:
		return analysis.Say("study.value.doubtful", figures(s.Value), s.Why)
	}
	return analysis.Say("study.value.unknown", s.Why)
}

// figures returns a value with up to three decimals, or up to two from 100 up, without
// trailing zeros. A value below 0.001 has up to two significant digits.
func figures(v float64) analysis.Number {
	a := math.Abs(v)
	places := 3
	switch {
	case a < 1e-12: // a rounding error around 0
		return analysis.Number{}
	case a < 1e-3:
		places = 1 - int(math.Floor(math.Log10(a)))
	case a >= 100:
		places = 2
	}
	s := strconv.FormatFloat(v, 'f', places, 64)
	return analysis.Number{Value: v, Places: places - len(s) + len(strings.TrimRight(s, "0"))}
}

// largest is the largest reading that is accepted, in µm: a kilometre.
const largest = 1e9

// The reasons for which data are refused.
var (
	ErrNoData = errors.New("no readings")
	ErrValue  = errors.New("not a size")
)

// check refuses empty data and values that no gauge sends.
func check(x []float64) error {
	if len(x) == 0 {
		return ErrNoData
	}
	for i, v := range x {
		if math.IsNaN(v) || math.Abs(v) > largest {
			return fmt.Errorf("reading %d, %v: %w; take it out or correct it", i+1, v, ErrValue)
		}
	}
	return nil
}

func checkAll(groups [][]float64) (n int, err error) {
	for i, g := range groups {
		if err := check(g); err != nil {
			return 0, fmt.Errorf("group %d: %w", i+1, err)
		}
		n += len(g)
	}
	if len(groups) == 0 {
		return 0, ErrNoData
	}
	return n, nil
}

// sum adds n values with Neumaier's compensation (ZAMM 54 (1974) 39). The result is as good
// as a sum with twice the digits.
func sum(n int, at func(int) float64) float64 {
	s, lost := 0.0, 0.0
	for i := range n {
		v := at(i)
		t := s + v
		if math.Abs(s) >= math.Abs(v) {
			lost += (s - t) + v
		} else {
			lost += (v - t) + s
		}
		s = t
	}
	return s + lost
}

// mean returns the mean of x, corrected once by the mean of the remaining deviations.
func mean(x []float64) float64 {
	n := float64(len(x))
	m := sum(len(x), func(i int) float64 { return x[i] }) / n
	return m + sum(len(x), func(i int) float64 { return x[i] - m })/n
}

// squares returns the sum of squares of x about the mean m. It corrects the sum for the
// rounding error in the sum of deviations (Chan, Golub, LeVeque 1983).
func squares(x []float64, m float64) float64 {
	d := sum(len(x), func(i int) float64 { return x[i] - m })
	return sum(len(x), func(i int) float64 { return (x[i] - m) * (x[i] - m) }) - d*d/float64(len(x))
}

// dust returns a function that sets a sum of squares of effects to 0 if rounding alone
// could have made it. Without it, an effect that is absent would come out as 1e-31, not 0.
// The sum of squares runs over all readings x. An effect is a mean about the grand mean,
// less other such means. terms is the number of values that are added one by one to form
// these other means.
//
// The bound adds up errors to first order, in units of u = 2⁻⁵³ times the largest reading:
//   - a reading in binary: 1
//   - the distance of a reading from the grand mean: 2
//   - the mean of such distances: 2 more
//   - the grand mean: 2
//   - a mean of k of those means: 7 + 2k
//   - one of those means less two such means: 10
//
// The whole is 31 + 2 terms.
func dust(x []float64, terms int) func(ss float64) float64 {
	most := 0.0
	for _, v := range x {
		most = max(most, math.Abs(v))
	}
	d := float64(31+2*terms) * most / (1 << 53)
	return func(ss float64) float64 {
		if ss <= float64(len(x))*d*d {
			return 0
		}
		return ss
	}
}

// flat returns all values of the groups in one slice.
func flat(groups [][]float64) []float64 {
	var all []float64
	for _, g := range groups {
		all = append(all, g...)
	}
	return all
}

func squareRoot(v float64) float64 { return math.Sqrt(max(0, v)) }
