package study

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

// finiteAll fails where any number in v can't be sent as JSON.
func finiteAll(t interface {
	Helper()
	Fatalf(string, ...any)
}, v any) {
	t.Helper()
	if _, err := json.Marshal(v); err != nil {
		t.Fatalf("%v in %+v", err, v)
	}
}

func TestIndividuals(t *testing.T) {
	// Worked by hand: moving ranges 1, 2, 1, 0, 3; mean 7/5.
	c, err := Individuals([]float64{10, 11, 9, 10, 10, 13})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "centre", c.Location.Centre, 10.5, 1e-15)
	near(t, "mean moving range", c.Spread.Centre, 1.4, 1e-15)
	near(t, "sigma", c.Sigma.Value, 1.4*math.Sqrt(math.Pi)/2, 1e-10) // d2 = 2/√π
	near(t, "high limit", c.Location.High, 10.5+3*1.4*math.Sqrt(math.Pi)/2, 1e-10)
	if !slices.Equal(c.Spread.Values, []float64{1, 2, 1, 0, 3}) || c.Spread.Low != 0 {
		t.Errorf("%+v", c.Spread)
	}
	if c.Sigma.OK || !strings.Contains(said(c.Says()), "study.note.trial") {
		t.Errorf("%+v", c.Sigma)
	}
}

func TestSignals(t *testing.T) {
	s := Series{Name: "mean", Centre: 0, Low: -3, High: 3}
	for _, c := range []struct {
		name   string
		values []float64
		want   []string
	}{
		{"quiet", []float64{1, -1, 2, -2, 0, 1, -1, 0}, nil},
		{"on the limit is inside", []float64{3, -3}, nil},
		{"beyond", []float64{0, 3.1, 0, -3.1}, []string{"2 " + RuleBeyond, "4 " + RuleBeyond}},
		{"run of eight", []float64{1, 0.5, 1, 0.5, 1, 0.5, 1, 0.5, -1}, []string{"8 " + RuleRun}},
		{"the centre breaks a run", []float64{1, 0.5, 1, 0.5, 1, 0, 1, 0.5, 1}, nil},
		{"two of three", []float64{2.5, 0, 2.5, 0, 0, -2.5, 2.5}, []string{"3 " + RuleTwo}},
		{"trend", []float64{-1.2, -0.6, 0.1, 0.2, 0.3, 0.4, 0.3}, []string{"6 " + RuleTrend}},
		{"falling", []float64{1.2, 0.6, 0.1, -0.2, -0.3, -0.4, -0.3}, []string{"6 " + RuleTrend}},
		{"a tie breaks a trend", []float64{-1.2, -0.6, 0.1, 0.1, 0.3, 0.4, 0.5}, nil},
	} {
		s.Values = c.values
		var got []string
		for _, g := range signals(s, true) {
			got = append(got, fmt.Sprint(g.Point, " ", g.Rule))
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	s.Values = []float64{1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 4}
	if got := signals(s, false); len(got) != 1 || got[0].Rule != RuleBeyond {
		t.Errorf("a spread has limits only: %+v", got)
	}
}

func TestChartErrors(t *testing.T) {
	for want, err := range map[string]error{
		"two subgroups":   second(XbarR([][]float64{{1, 2}})),
		"no readings":     second(XbarR(nil)),
		"2 has 1 reading": second(XbarS([][]float64{{1, 2}, {1}})),
		"2 to 100":        second(XbarR([][]float64{{1}, {2}})),
		"three readings":  second(Individuals([]float64{1, 2})),
		"reading 2, +Inf": second(Individuals([]float64{1, math.Inf(1), 3})),
		"group 2":         second(XbarR([][]float64{{1, 2}, {math.NaN(), 1}})),
	} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	c, err := XbarR(slices.Repeat([][]float64{{5, 5, 5}}, 25))
	if err != nil || c.Sigma.OK || !strings.Contains(said(c.Says()), "study.note.no_chart") {
		t.Errorf("%v %+v", err, c)
	}
	finiteAll(t, c)
}

func second(_ Chart, err error) error { return err }

// TestNothingIsNaN: whatever finite readings come, every result can be sent and
// said, and refuses or computes; the readings are left as they were.
func TestNothingIsNaN(t *testing.T) {
	reading := rapid.OneOf(rapid.Float64Range(-1e9, 1e9), rapid.Float64Range(-3, 3), rapid.SampledFrom([]float64{0, 1, 31750, 31750.1, 1e-300, -1e9}))
	rapid.Check(t, func(rt *rapid.T) {
		x := rapid.SliceOfN(reading, 0, 40).Draw(rt, "x")
		kept := slices.Clone(x)
		groups := rapid.SliceOfN(rapid.SliceOfN(reading, 3, 3), 0, 12).Draw(rt, "groups")
		y := rapid.SliceOfN(reading, len(groups), len(groups)).Draw(rt, "references")
		table := Table{Operators: []string{"a", "b"}}
		for i := 0; i+1 < len(groups); i += 2 {
			table.Parts = append(table.Parts, fmt.Sprint(i))
			table.Values = append(table.Values, [][]float64{groups[i], groups[i+1]})
		}
		results := []any{}
		keep := func(v any, err error) {
			if err == nil {
				results = append(results, v)
			}
		}
		a, err := Describe(x)
		keep(a, err)
		b, err := OneWay(groups)
		keep(b, err)
		c, err := EqualSpread(groups)
		keep(c, err)
		d, err := Capability(x, Spec{Low: 0, High: 2.54}, 0.95)
		keep(d, err)
		e, err := Individuals(x)
		keep(e, err)
		f, err := XbarR(groups)
		keep(f, err)
		g, err := XbarS(groups)
		keep(g, err)
		h, err := Normality(x)
		keep(h, err)
		i, err := ToleranceInterval(x, 0.95, 0.95)
		keep(i, err)
		j, err := Linearity(y, groups, 0.95)
		keep(j, err)
		k, err := AverageAndRange(table, 2.54)
		keep(k, err)
		l, err := ByANOVA(table, 2.54, PoolAbove)
		keep(l, err)
		for _, r := range results {
			finiteAll(rt, r)
			says, ok := r.(interface{ Says() []analysis.Phrase })
			if !ok {
				continue
			}
			for _, p := range says.Says() {
				line := notation.Format{}.Say(p)
				if line == "" || strings.Contains(line, "⟦") || strings.Contains(line, "NaN") || strings.Contains(line, "Inf") || strings.Contains(line, "%!") {
					rt.Fatalf("line %q of %+v", line, r)
				}
			}
		}
		if !reflect.DeepEqual(x, kept) {
			rt.Fatal("readings were changed")
		}
	})
}

// TestSizesOrDeviations: the same readings as whole sizes or as deviations from
// nominal give the same spread, to what a float64 holds of the size.
func TestSizesOrDeviations(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-5, 5), 5, 30).Draw(rt, "deviations")
		sizes := make([]float64, len(x))
		for i, v := range x {
			sizes[i] = 31750 + v
		}
		a, err := Describe(x)
		if err != nil {
			rt.Fatal(err)
		}
		b, err := Describe(sizes)
		if err != nil {
			rt.Fatal(err)
		}
		if math.Abs(a.SD.Value-b.SD.Value) > 1e-10 || math.Abs(a.Mean.Value+31750-b.Mean.Value) > 1e-10 {
			rt.Fatalf("%v and %v", a, b)
		}
	})
}

// said is what phrases come to, by their codes and values.
func said(all []analysis.Phrase) string {
	return notation.Format{Language: notation.Codes()}.SayAll(all...)
}
