package plan_test

import (
	"fmt"

	"fairbore/analysis"
	"fairbore/analysis/material"
	"fairbore/analysis/notation"
	"fairbore/analysis/plan"
)

// A bronze bush, 28.6 mm outside, for an iron bracket bored 28.56 mm.
func ExamplePress_Closure() {
	bronze, _ := material.Find("bronze")
	iron, _ := material.Find("iron")
	c, err := plan.Press{
		Bore:    22_200 * analysis.Micrometre,
		Outside: 28_600 * analysis.Micrometre,
		Housing: 28_560 * analysis.Micrometre,
		Boss:    63_500 * analysis.Micrometre,
		Bush:    bronze, Hub: iron,
	}.Closure()
	if err != nil {
		fmt.Println(err)
		return
	}
	f := notation.Format{Full: true}
	fmt.Println(f.Say(c.Text()[0]))
	ok, why := c.Judge(analysis.Deviation(12 * analysis.Micrometre))
	fmt.Println(ok, f.Say(why))
	// Output:
	// Interference 40.00 µm (1574.8 µin); the bore will close by about 28.79 µm (1133.6 µin), 0.72 of it (elastic, by Lamé).
	// false the bore closed by 12.00 µm (472.4 µin), less than half of the forecast 28.79 µm (1133.6 µin): check both seat sizes, a seat that picked up, and the readings
}

func ExampleParseFit() {
	f, err := plan.ParseFit("28.6 H7/p6")
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, line := range f.Text() {
		fmt.Println(notation.Format{Full: true}.Say(line))
	}
	// Output:
	// Hole H7: 28.6000 mm (1.125984 in) to 28.6210 mm (1.126811 in)
	// Shaft p6: 28.6220 mm (1.126850 in) to 28.6350 mm (1.127362 in)
	// Interference 1.00 µm (39.4 µin) to 35.00 µm (1378.0 µin).
}
