package plan_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/plan"
)

// A short bore is gauged at three depths, a long or a blind one at five (common
// practice); worked by hand from the rule in the comment of Depths.
func TestDepths(t *testing.T) {
	const mm = analysis.Millimetre
	for _, c := range []struct {
		length, diameter analysis.Length
		blind            bool
		unit             analysis.Unit
		want             []analysis.Length
	}{
		{60 * mm, 22 * mm, false, analysis.MM, []analysis.Length{4 * mm, 30 * mm, 56 * mm}},
		{254 * mm, 44 * mm, false, analysis.MM, []analysis.Length{13 * mm, 70 * mm, 127 * mm, 184 * mm, 241 * mm}},
		{52 * mm, 16 * mm, true, analysis.MM, []analysis.Length{4 * mm, 15 * mm, 26 * mm, 37 * mm, 48 * mm}},
		{3 * analysis.Inch / 2, analysis.Inch, false, analysis.IN, []analysis.Length{3 * analysis.Inch / 20, 3 * analysis.Inch / 4, 27 * analysis.Inch / 20}},
		{126_666_667, 3 * mm, false, analysis.MM, []analysis.Length{4 * mm, 5 * mm, 6 * mm, 7 * mm, 8 * mm}}, // no place twice
		{5 * mm, 20 * mm, false, analysis.MM, nil},
		{0, 20 * mm, false, analysis.MM, nil},
	} {
		if got := plan.Depths(c.length, c.diameter, c.blind, c.unit); !slices.Equal(got, c.want) {
			t.Errorf("%s long, %s wide: %v, want %v", c.length, c.diameter, got, c.want)
		}
	}
}

// Proposed depths rise, and lie within the bore clear of its ends.
func TestDepthsLieInside(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		length := analysis.Length(rapid.Int64Range(0, int64(2*1000*analysis.Millimetre)).Draw(rt, "length"))
		diameter := analysis.Length(rapid.Int64Range(0, int64(300*analysis.Millimetre)).Draw(rt, "diameter"))
		u := rapid.SampledFrom([]analysis.Unit{analysis.MM, analysis.IN}).Draw(rt, "unit")
		got := plan.Depths(length, diameter, rapid.Bool().Draw(rt, "blind"), u)
		for i, d := range got {
			if d < 7*analysis.Millimetre/2 || length-d < 7*analysis.Millimetre/2 || i > 0 && d <= got[i-1] {
				rt.Fatalf("%s long: %v", length, got)
			}
		}
	})
}
