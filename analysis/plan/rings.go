package plan

import (
	"strings"

	"fairbore/analysis"
)

// ringClasses lists the tolerances of master rings by size and class, in micro-inches. A row
// is for sizes above the upTo of the row before, up to and including its own upTo (ASME
// B89.1.5 and B89.1.6 as printed in US Army TM 9-243, p. 15-2, and in public charts that
// agree with it).
var ringClasses = [...]struct {
	upTo analysis.Length // micro-inches
	tol  [6]analysis.Length
}{
	{825_000, [6]analysis.Length{10, 20, 40, 70, 100, 200}},
	{1_510_000, [6]analysis.Length{15, 30, 60, 90, 120, 240}},
	{2_510_000, [6]analysis.Length{20, 40, 80, 120, 160, 320}},
	{4_510_000, [6]analysis.Length{25, 50, 100, 150, 200, 400}},
	{6_510_000, [6]analysis.Length{33, 65, 130, 190, 250, 500}},
	{9_010_000, [6]analysis.Length{40, 80, 160, 240, 320, 640}},
	{12_010_000, [6]analysis.Length{50, 100, 200, 300, 400, 800}},
}

// RingTolerance returns how far a master ring of a class (XXX, XX, X, Y, Z or ZZ) may be from
// its marked size.
// Source: ASME B89.1.5 as quoted in US Army TM 9-243, p. 15-2.
func RingTolerance(ring analysis.Length, class string) (analysis.Deviation, error) {
	column := -1
	for i, name := range [...]string{"XXX", "XX", "X", "Y", "Z", "ZZ"} {
		if strings.EqualFold(name, strings.TrimSpace(class)) {
			column = i
		}
	}
	if column < 0 {
		return 0, analysis.Say("plan.fault.ring_class", class)
	}
	if ring > 10_000*analysis.MicroInch {
		for _, r := range ringClasses {
			if ring <= r.upTo*analysis.MicroInch {
				return analysis.Deviation(r.tol[column] * analysis.MicroInch), nil
			}
		}
	}
	return 0, analysis.Say("plan.fault.ring_classes", analysis.Size(ring))
}
