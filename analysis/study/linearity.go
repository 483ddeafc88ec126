package study

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"fairbore/analysis"
)

// Line is a least-squares line y = Intercept + Slope x with standard errors.
type Line struct {
	Intercept   Stat `json:"intercept"`
	Slope       Stat `json:"slope"`
	InterceptSE Stat `json:"intercept_se"`
	SlopeSE     Stat `json:"slope_se"`
	ResidualSD  Stat `json:"residual_sd"`
	RSquared    Stat `json:"r_squared"`
}

// FitLine fits y on x by least squares about the means. It fails if the numbers of x and y
// differ, for fewer than two different x, and for values that cannot be sizes.
// Source: least squares. The tests compare the results with NIST StRD.
func FitLine(x, y []float64) (Line, error) {
	if err := errors.Join(check(x), check(y)); err != nil {
		return Line{}, err
	}
	n := len(x)
	mx, my := mean(x), mean(y)
	if n != len(y) {
		return Line{}, fmt.Errorf("line: %d values of x and %d of y", n, len(y))
	}
	sxx := squares(x, mx)
	if sxx <= 0 {
		return Line{}, errors.New("line: give at least two different values of x")
	}
	slope := sum(n, func(i int) float64 { return (x[i] - mx) * (y[i] - my) }) / sxx
	ss := sum(n, func(i int) float64 { r := (y[i] - my) - slope*(x[i]-mx); return r * r })
	l := Line{Slope: stat(slope, n), Intercept: stat(my-slope*mx, n)}
	l.RSquared = none(n, analysis.Say("study.why.all_y_same"))
	if syy := squares(y, my); syy > 0 {
		l.RSquared = stat(1-ss/syy, n)
	}
	if n < 3 {
		l.ResidualSD = none(n, analysis.Say("study.why.two_points"))
		l.SlopeSE, l.InterceptSE = l.ResidualSD, l.ResidualSD
		return l, nil
	}
	s := math.Sqrt(ss / float64(n-2))
	l.ResidualSD = stat(s, n)
	l.SlopeSE = stat(s/math.Sqrt(sxx), n)
	l.InterceptSE = stat(s*math.Sqrt(1/float64(n)+mx*mx/sxx), n)
	return l, nil
}

// Bias is how far a gauge reads from a known size.
type Bias struct {
	Reference float64 `json:"reference_um"`
	Bias      Stat    `json:"bias"`
	Low       Stat    `json:"low"` // confidence limits
	High      Stat    `json:"high"`
	Real      bool    `json:"real"` // 0 lies outside the limits
}

// Linear is how a gauge's bias changes over its range.
type Linear struct {
	Confidence float64 `json:"confidence"`
	Biases     []Bias  `json:"biases"`
	Line       Line    `json:"line"`      // of bias on reference
	SlopeT     Stat    `json:"slope_t"`   // t of the slope
	SlopeP     Stat    `json:"slope_p"`   // chance of a slope at least this steep if the true slope is 0
	OverRange  Stat    `json:"linearity"` // change of bias from the smallest to the largest reference, µm
}

// Linearity compares repeated readings of several references (rings) with their known
// sizes, all in µm (AIAG, Measurement Systems Analysis, ch. III B). It fails for fewer than
// two references, for a reference with fewer than two readings, and for values that cannot
// be sizes.
func Linearity(reference []float64, readings [][]float64, confidence float64) (Linear, error) {
	if err := check(reference); err != nil {
		return Linear{}, err
	}
	if len(reference) != len(readings) || len(reference) < 2 {
		return Linear{}, errors.New("linearity: give readings of each of at least two references")
	}
	if !(confidence > 0 && confidence < 1) {
		return Linear{}, errors.New("confidence: give a share between 0 and 1, such as 0.95")
	}
	l := Linear{Confidence: confidence}
	var x, y []float64
	for i, r := range readings {
		if err := check(r); err != nil {
			return Linear{}, fmt.Errorf("reference %d: %w", i+1, err)
		}
		off := make([]float64, len(r))
		for k, v := range r {
			off[k] = v - reference[i]
			x, y = append(x, reference[i]), append(y, off[k])
		}
		b, err := bias(reference[i], off, confidence)
		if err != nil {
			return Linear{}, fmt.Errorf("reference %d: %w", i+1, err)
		}
		l.Biases = append(l.Biases, b)
	}
	var err error
	if l.Line, err = FitLine(x, y); err != nil {
		return Linear{}, err
	}
	l.judge(x)
	return l, nil
}

// bias evaluates the deviations at one reference by Student's t.
func bias(reference float64, off []float64, confidence float64) (Bias, error) {
	s, err := Describe(off)
	if err != nil {
		return Bias{}, err
	}
	if s.N < 2 {
		return Bias{}, errors.New("give at least two readings")
	}
	t := distuv.StudentsT{Sigma: 1, Nu: float64(s.N - 1)}.Quantile((1 + confidence) / 2)
	half := t * s.SD.Value / math.Sqrt(float64(s.N))
	b := Bias{Reference: reference, Bias: s.Mean, Low: stat(s.Mean.Value-half, s.N), High: stat(s.Mean.Value+half, s.N)}
	b.Real = b.Low.Value > 0 || b.High.Value < 0
	return b, nil
}

func (l *Linear) judge(x []float64) {
	n := len(x)
	low, high := x[0], x[0]
	for _, v := range x {
		low, high = min(low, v), max(high, v)
	}
	l.OverRange = stat(l.Line.Slope.Value*(high-low), n)
	se := l.Line.SlopeSE
	if !se.OK || se.Value <= 0 {
		l.SlopeT = none(n, analysis.Say("study.why.no_scatter"))
		l.SlopeP = l.SlopeT
		return
	}
	t := l.Line.Slope.Value / se.Value
	l.SlopeT = stat(t, n)
	l.SlopeP = stat(tailF(t*t, 1, n-2), n)
}
