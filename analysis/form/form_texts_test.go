package form

import (
	"fmt"
	"regexp"
	"strings"
	"testing"

	"fairbore/analysis/notation"
)

// No diameter shows that a bore is round or a cylinder.
func TestTextsNeverCallABoreRound(t *testing.T) {
	claim := regexp.MustCompile(`\b(round|roundness|cylindrical|cylindricity|cylinder)\b`)
	for _, kind := range []GaugeKind{TwoPoint, SelfCentring, Summit90} {
		for _, rows := range [][][]float64{{{0, 0}, {0, 0}, {0, 0}}, {{0, 9}, {5, -9}, {1, 1}}, {{0}, {3}, {0}}} {
			opt := gauge
			opt.Gauge = kind
			said := english(Evaluate(bore([]float64{5, 25, 45}, []int{0, 90}, rows...), opt))
			for _, s := range said {
				if claim.MatchString(strings.ReplaceAll(strings.ToLower(s), "out-of-round", "")) {
					t.Errorf("said %q", s)
				}
			}
			if last := said[len(said)-1]; !strings.Contains(last, "bent bore") {
				t.Errorf("does not say what it can't see: %q", last)
			}
		}
	}
}

func ExampleEvaluate() {
	depths := []float64{6, 18, 30, 42, 54}
	readings := bore(depths, []int{0, 90},
		[]float64{-5.1, -1.1}, []float64{-4.4, -0.4}, []float64{-3.9, 0.1}, []float64{-3.2, 0.8}, []float64{-2.6, 1.4})
	r := Evaluate(readings, Options{Repeatability: um * 15 / 100, Step: um / 10})
	for _, s := range english(r) {
		fmt.Println(s)
	}
	// Output:
	// Tight at the front by 2.5 µm over 48 mm.
	// Oval by at least 4.0 µm at 6 mm; two angles don't show all of it.
	// Two-point: can't see 3 or 5 lobes, or a bent bore.
}

// english is what a result says in English, in mm and µm.
func english(r Result) (texts []string) {
	for _, p := range r.Phrases() {
		texts = append(texts, notation.Format{}.Say(p))
	}
	return texts
}
