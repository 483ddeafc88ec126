package study_test

import (
	"fmt"

	"fairbore/analysis/notation"
	"fairbore/analysis/study"
)

// Ten hand-honed sleeves, µm above 31.7500 mm; limits 0 and 2.54.
func ExampleCapability() {
	c, err := study.Capability([]float64{1.1, 1.3, 0.9, 1.5, 1.2, 1.4, 1.0, 1.3, 1.6, 1.2}, study.Spec{Low: 0, High: 2.54}, 0.95)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, p := range c.Says() {
		fmt.Println(notation.Format{}.Say(p))
	}
	// Output:
	// 10 sizes, mean 1.25 µm, standard deviation 0.217 µm.
	// Only 10 sizes: 25 are needed.
	// Each bore is honed until it is in size, so sizes pile up near the target or one limit and Cpk flatters.
}

func ExampleByANOVA() {
	g, err := study.ByANOVA(study.Table{
		Parts:     []string{"001", "002", "003"},
		Operators: []string{"first shift", "quality"},
		Values: [][][]float64{
			{{1.1, 1.3}, {1.0, 1.1}},
			{{0.4, 0.5}, {0.3, 0.3}},
			{{2.0, 2.1}, {1.8, 2.0}},
		},
	}, 2.54, study.PoolAbove)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, p := range g.Says() {
		fmt.Println(notation.Format{}.Say(p))
	}
	// Output:
	// Gauge study by analysis of variance: 3 parts, 2 operators, 2 trials.
	// Repeatability: standard deviation 0.083 µm, 10.2 % of the total, 6 of them are 19.6 % of the tolerance.
	// Operators: standard deviation 0.101 µm, 12.4 % of the total, 6 of them are 23.7 % of the tolerance.
	// Operators with parts: standard deviation 0 µm, 0.0 % of the total, 6 of them are 0.0 % of the tolerance.
	// Gauge, all together: standard deviation 0.13 µm, 16.1 % of the total, 6 of them are 30.8 % of the tolerance.
	// Parts: standard deviation 0.799 µm, 98.7 % of the total, 6 of them are 188.8 % of the tolerance.
	// Total: standard deviation 0.81 µm, 100.0 % of the total, 6 of them are 191.3 % of the tolerance.
	// Not good enough: the gauge takes 30.8 % of the tolerance of 2.54 µm (above 30 %). Use guard bands and repeats.
	// It separates 8 classes of these parts; 5 are needed.
	// Both the gauge and the people contribute.
	// Only 3 parts: 10 are usual, spread over the tolerance; part-to-part figures are rough.
	// Only two operators: the difference between people rests on one comparison.
	// 3 parts by 2 operators are too few to rely on: 15 such pairs or more are usual. Treat this as a first look.
}

func ExampleIndividuals() {
	c, err := study.Individuals([]float64{1.1, 1.3, 0.9, 1.5, 1.2, 1.4, 1.0, 1.3, 1.6, 1.2, 3.1})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, p := range c.Says() {
		fmt.Println(notation.Format{}.Say(p))
	}
	// Output:
	// Chart of single readings and moving ranges, 11 points.
	// The reading: centre 1.418 µm, limits 0.089 to 2.748 µm.
	// The moving range: centre 0.5 µm, limits 0 to 1.633 µm.
	// Standard deviation within: 0.443 µm, not reliable: trial limits, only 11 of 20 points.
	// Point 11, reading: beyond the control limits.
	// Point 10, moving range: beyond the control limits.
	// Trial limits: only 11 points, 20 are needed.
}
