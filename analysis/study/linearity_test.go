package study

import (
	"math"
	"strings"
	"testing"
)

// TestLinearityExample is the AIAG manual's linearity example: five references,
// twelve readings each (data and printed results from memory; the data
// reproduce the printed averages and the line to all digits).
func TestLinearityExample(t *testing.T) {
	readings := [][]float64{
		{2.7, 2.5, 2.4, 2.5, 2.7, 2.3, 2.5, 2.5, 2.4, 2.4, 2.6, 2.4},
		{5.1, 3.9, 4.2, 5.0, 3.8, 3.9, 3.9, 3.9, 3.9, 4.0, 4.1, 3.8},
		{5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1},
		{7.6, 7.7, 7.8, 7.7, 7.8, 7.8, 7.8, 7.7, 7.8, 7.5, 7.6, 7.7},
		{9.1, 9.3, 9.5, 9.3, 9.4, 9.5, 9.5, 9.5, 9.6, 9.2, 9.3, 9.4},
	}
	l, err := Linearity([]float64{2, 4, 6, 8, 10}, readings, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{0.491667, 0.125, 0.025, -0.291667, -0.616667} {
		within(t, "bias", l.Biases[i].Bias.Value, want, 1e-6)
	}
	within(t, "slope", l.Line.Slope.Value, -0.131667, 1e-6)
	within(t, "intercept", l.Line.Intercept.Value, 0.736667, 1e-6)
	within(t, "residual sd", l.Line.ResidualSD.Value, 0.23954, 5e-6)
	within(t, "R²", l.Line.RSquared.Value, 0.714, 5e-4)
	within(t, "t of the slope", l.SlopeT.Value, -12.043, 1e-3)
	within(t, "change over the range", l.OverRange.Value, -0.131667*8, 1e-5)
	if !l.Biases[0].Real || l.Biases[2].Real || !(l.SlopeP.Value < 1-l.Confidence) {
		t.Errorf("%+v", l)
	}
	finiteAll(t, l)
}

// TestLinearityWithoutError: rings read without fault show none, and two that
// are off alike show a bias but no slope.
func TestLinearityWithoutError(t *testing.T) {
	l, err := Linearity([]float64{22225, 31750}, [][]float64{{22225.5, 22225.7, 22225.6}, {31750.7, 31750.5, 31750.6}}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if !l.Biases[0].Real || l.SlopeP.Value < 0.05 {
		t.Errorf("%+v", l)
	}
	l, err = Linearity([]float64{1, 2}, [][]float64{{1, 1}, {2, 2}}, 0.95)
	if err != nil || l.SlopeP.OK || l.Biases[0].Real || l.SlopeP.Why.Code != "study.why.no_scatter" {
		t.Errorf("%v %+v", err, l)
	}
}

func TestLinearityErrors(t *testing.T) {
	good := [][]float64{{1, 1.1}, {2, 2.1}}
	for want, call := range map[string]func() error{
		"at least two references":  func() error { _, err := Linearity([]float64{1}, good[:1], 0.95); return err },
		"of each of at least two":  func() error { _, err := Linearity([]float64{1, 2, 3}, good, 0.95); return err },
		"different values of x":    func() error { _, err := Linearity([]float64{1, 1}, good, 0.95); return err },
		"confidence":               func() error { _, err := Linearity([]float64{1, 2}, good, 1); return err },
		"reference 2: give at lea": func() error { _, err := Linearity([]float64{1, 2}, [][]float64{{1, 1.1}, {2}}, 0.95); return err },
		"reference 1: reading 1": func() error {
			_, err := Linearity([]float64{1, 2}, [][]float64{{math.NaN(), 1.1}, {2, 2}}, 0.95)
			return err
		},
		"1 values of x and 2 of y": func() error { _, err := FitLine([]float64{1}, []float64{1, 2}); return err },
		"no readings":              func() error { _, err := FitLine(nil, nil); return err },
	} {
		if err := call(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

func TestDescribeSaysWhatItCanNot(t *testing.T) {
	s, err := Describe([]float64{3})
	if err != nil || s.SD.OK || s.Lag1.OK || s.Mean.Value != 3 || s.Median != 3 {
		t.Errorf("%v %+v", err, s)
	}
	if s.SD.Why.Code != "study.why.one_reading" {
		t.Errorf("%+v", s.SD)
	}
	if s, err = Describe([]float64{4, 1, 3, 2}); err != nil || s.Median != 2.5 || s.Min != 1 || s.Max != 4 {
		t.Errorf("%v %+v", err, s)
	}
	drift := make([]float64, 30)
	for i := range drift {
		drift[i] = float64(i) / 10
	}
	if s, err = Describe(drift); err != nil || s.Lag1.Value < 0.8 { // each follows the one before
		t.Errorf("%v %+v", err, s.Lag1)
	}
	if _, err := OneWay([][]float64{{1, 2}}); err == nil || !strings.Contains(err.Error(), "at least two") {
		t.Error(err)
	}
	if _, err := EqualSpread([][]float64{{1, 2}, {1}}); err == nil || !strings.Contains(err.Error(), "group 2") {
		t.Error(err)
	}
	g, err := OneWay([][]float64{{1, 1}, {2, 2}})
	if err != nil || g.Between.F.OK || g.Between.F.Why.Code != "study.why.no_spread_to_compare" {
		t.Errorf("%v %+v", err, g)
	}
}
