package form

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"fairbore/analysis"
)

// anyBore draws a bore: two to eight uneven depths, one to four angles, sizes
// of a few µm in whole 0.1 µm, some places missing and some read again.
func anyBore(t *rapid.T) (readings []analysis.Reading) {
	depths := rapid.SliceOfNDistinct(rapid.IntRange(0, 60), 2, 8, rapid.ID[int]).Draw(t, "depths")
	angles := rapid.SliceOfNDistinct(rapid.SampledFrom([]int{0, 30, 45, 60, 90, 120, 135}), 1, 4, rapid.ID[int]).Draw(t, "angles")
	for _, z := range depths {
		for _, a := range angles {
			for range rapid.SampledFrom([]int{1, 1, 1, 1, 0, 2, 3}).Draw(t, "times") {
				readings = append(readings, analysis.Reading{
					Place: analysis.Place{Depth: analysis.Length(z) * analysis.Millimetre, Angle: analysis.Angle(a) * analysis.Degree},
					Size:  222_250_000 + analysis.Length(rapid.IntRange(-60, 60).Draw(t, "size"))*1000,
				})
			}
		}
	}
	return readings
}

func record(r Result) string {
	b, err := json.Marshal(r)
	if err != nil {
		panic(err)
	}
	return string(b)
}

func TestOrderChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyBore(t)
		before := record(Evaluate(a, gauge))
		b := append([]analysis.Reading(nil), a...)
		rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0)).Shuffle(len(b), func(i, j int) { b[i], b[j] = b[j], b[i] })
		if after := record(Evaluate(b, gauge)); after != before {
			t.Fatalf("%s\nbecame %s", before, after)
		}
		if again := record(Evaluate(a, gauge)); again != before {
			t.Fatal("the readings were changed")
		}
	})
}

// A master that is out, or a bore honed larger all over, has the same form, to
// the last digit.
func TestConstantChangesNoForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyBore(t)
		by := analysis.Length(rapid.Int64Range(-1_000_000, 1_000_000).Draw(t, "by"))
		b := append([]analysis.Reading(nil), a...)
		for i := range b {
			b[i].Size += by
		}
		r := Evaluate(b, gauge)
		for i := range r.Sections {
			s := &r.Sections[i]
			s.Mean, s.Min, s.Max = s.Mean-by, s.Min-by, s.Max-by
		}
		if r.Smallest != nil {
			r.Smallest.Size, r.Largest.Size, r.Mean = r.Smallest.Size-by, r.Largest.Size-by, r.Mean-by
		}
		if got, want := record(r), record(Evaluate(a, gauge)); got != want {
			t.Fatalf("%s\nbecame %s", want, got)
		}
	})
}

// same compares two amounts, the second with its sign, to the last digit's rounding.
func same(t *rapid.T, what string, a, b Amount, sign analysis.Deviation) {
	t.Helper()
	off := func(x, y analysis.Deviation) bool { return (x-y) > 1 || (y-x) > 1 }
	if a.Usable != b.Usable || off(a.Value, sign*b.Value) || off(a.U, b.U) || off(a.Threshold, b.Threshold) {
		t.Fatalf("%s: %+v, %+v", what, a, b)
	}
}

// Turned end for end, taper changes its sign and the ends their places.
func TestEndForEnd(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyBore(t)
		b := append([]analysis.Reading(nil), a...)
		for i := range b {
			b[i].Depth = 60*analysis.Millimetre - b[i].Depth
		}
		r, m := Evaluate(a, gauge), Evaluate(b, gauge)
		same(t, "taper", r.Taper.Amount, m.Taper.Amount, -1)
		same(t, "barrel", r.Barrel, m.Barrel, 1)
		same(t, "front", r.FrontFlare, m.BackFlare, 1)
		same(t, "back", r.BackFlare, m.FrontFlare, 1)
		same(t, "oval", r.Oval.Amount, m.Oval.Amount, 1)
		// The minimum zone may be held by one of two edges alike; its width is one.
		if d := r.Straightness.Value - m.Straightness.Value; d < -1 || d > 1 {
			t.Fatalf("straightness %+v, %+v", r.Straightness, m.Straightness)
		}
		if d := r.Taper.Per100 + m.Taper.Per100; d < -1 || d > 1 || r.Variation != m.Variation {
			t.Fatalf("per length %v, %v", r.Taper.Per100, m.Taper.Per100)
		}
	})
}

// And so do the names: swapped, in sizes far from every threshold.
func TestNamesEndForEnd(t *testing.T) {
	for _, d := range [][]float64{{0, 0, 0, 1, 7}, {9, 0, 0.5, 0, 4}, {0, 2, 4, 6, 8}, {0, 0, 0, 0, -5}, {5, 1, 0, 1, 5}, {0, 3, 4, 3, 0}} {
		flipped := []float64{d[4], d[3], d[2], d[1], d[0]}
		swap := map[string]string{"front": "back", "back": "front", "": ""}
		want := map[string]bool{}
		for _, n := range Evaluate(five(d...), gauge).Named {
			n.Where = swap[n.Where]
			want[fmt.Sprint(n.Kind, n.Where, n.Size)] = true
		}
		got := Evaluate(five(flipped...), gauge).Named
		if len(got) != len(want) || len(got) == 0 {
			t.Errorf("%v: %v, want %v", d, got, want)
		}
		for _, n := range got {
			if !want[fmt.Sprint(n.Kind, n.Where, n.Size)] {
				t.Errorf("%v: %v, want %v", d, got, want)
			}
		}
	}
}

// A bore twice as long with the same errors has half the taper per length and
// the same everything else.
func TestScaleOfDepth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyBore(t)
		b := append([]analysis.Reading(nil), a...)
		for i := range b {
			b[i].Depth *= 2
		}
		r, s := Evaluate(a, gauge), Evaluate(b, gauge)
		same(t, "taper", r.Taper.Amount, s.Taper.Amount, 1)
		same(t, "barrel", r.Barrel, s.Barrel, 1)
		same(t, "front", r.FrontFlare, s.FrontFlare, 1)
		if d := r.Taper.Per100 - 2*s.Taper.Per100; d < -2 || d > 2 {
			t.Fatalf("per length %v, %v", r.Taper.Per100, s.Taper.Per100)
		}
		if fmt.Sprint(kinds(r)) != fmt.Sprint(kinds(s)) {
			t.Fatalf("%v became %v", kinds(r), kinds(s))
		}
	})
}

// A gauge in inches and one in mm give the same result for the same wall.
func TestInchOrMillimetre(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var inch, mm []analysis.Reading
		for i := range rapid.IntRange(1, 6).Draw(t, "depths") {
			// Multiples of 5 µin are whole multiples of 0.127 µm: both exact.
			step := rapid.Int64Range(-40, 40).Draw(t, "size")
			a, err1 := analysis.ParseLength(fmt.Sprintf("%.6f in", 0.875+float64(step)*5e-6))
			b, err2 := analysis.ParseLength(fmt.Sprintf("%.6f mm", 22.225+float64(step)*127e-6))
			z1, err3 := analysis.ParseLength(fmt.Sprintf("%d.5 in", i))
			z2, err4 := analysis.ParseLength(fmt.Sprintf("%.1f mm", (float64(i)+0.5)*25.4))
			for _, err := range []error{err1, err2, err3, err4} {
				if err != nil {
					t.Fatal(err)
				}
			}
			inch = append(inch, analysis.Reading{Place: analysis.Place{Depth: z1}, Size: a})
			mm = append(mm, analysis.Reading{Place: analysis.Place{Depth: z2}, Size: b})
		}
		if a, b := record(Evaluate(inch, gauge)), record(Evaluate(mm, gauge)); a != b {
			t.Fatalf("%s in inches, %s in mm", a, b)
		}
	})
}

// Whatever is read, an answer is finite, usable or says why, and no error is
// named that is not beyond its threshold.
func TestAlwaysAnAnswer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := Evaluate(anyBore(t), gauge)
		for _, a := range []Amount{r.Taper.Amount, r.Barrel, r.FrontFlare, r.BackFlare, r.Straightness.Amount, r.Oval.Amount, r.OutOfRound} {
			if a.Usable == !a.Why.IsZero() || a.Significant && (!a.Usable || max(a.Value, -a.Value) <= a.Threshold) {
				t.Fatalf("%+v", a)
			}
		}
		for _, n := range r.Named {
			if n.Size < gauge.Step {
				t.Fatalf("%+v is below the display step", n)
			}
		}
		if r.Straightness.Usable && r.Straightness.Value > r.Straightness.LeastSquares+1 {
			t.Fatalf("straightness %+v", r.Straightness)
		}
		if r.Smallest != nil && analysis.Length(r.Variation) != r.Largest.Size-r.Smallest.Size {
			t.Fatalf("variation %v", r.Variation)
		}
	})
}
