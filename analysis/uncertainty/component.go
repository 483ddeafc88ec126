package uncertainty

import (
	"fmt"
	"math"

	"fairbore/analysis"
)

// Type says how an uncertainty was evaluated: by statistics of repeated readings (A) or by other means
// (B) (JCGM 100:2008, 4.2 and 4.3).
type Type string

// The two types of evaluation.
const (
	A Type = "A"
	B Type = "B"
)

// Distribution is the distribution that is assumed for an input.
type Distribution string

// The distributions of a component. The half width of a rectangular, triangular or U-shaped one is
// divided by √3, √6 or √2 (JCGM 100:2008, 4.3.7, 4.3.9, H.1.3.4). The half width of Normal and T is
// divided by the coverage factor that was stated with it.
const (
	Normal      Distribution = "normal"
	T           Distribution = "t"
	Rectangular Distribution = "rectangular"
	Triangular  Distribution = "triangular"
	UShaped     Distribution = "U-shaped"
)

// Basis says how an input is known.
type Basis = analysis.Basis

// The bases, see [analysis.Basis].
const (
	ByStatement   = analysis.ByStatement
	ByMeasurement = analysis.ByMeasurement
	ByAssumption  = analysis.ByAssumption
)

// Component is one input of a budget. Set either HalfWidth or Standard; [Model.Budget] works out the
// other numbers that follow from them.
type Component struct {
	Name         string       `json:"name"` // a code, such as [ComponentRing]
	Type         Type         `json:"type"`
	Distribution Distribution `json:"distribution"`
	Unit         string       `json:"unit"`     // of the estimate and its uncertainty, a UCUM code
	Estimate     float64      `json:"estimate"` // of the input, in Unit
	// HalfWidth is half the width of the limits, or an expanded uncertainty, in Unit. It is 0 when
	// Standard is given.
	HalfWidth float64 `json:"half_width,omitempty"`
	// Divisor turns HalfWidth into Standard. For Normal and T it is the coverage factor, 2 if not given.
	// For the others it is worked out.
	Divisor  float64 `json:"divisor,omitempty"`
	Standard float64 `json:"standard_uncertainty"` // in Unit
	// Freedom is the number of degrees of freedom of Standard; 0: unlimited.
	Freedom     float64 `json:"degrees_of_freedom,omitempty"`
	Sensitivity float64 `json:"sensitivity_um_per_unit"`
	// Independent is the number of independent values of this input that the component stands for;
	// 0 means one. Sensitivity is the root sum of squares of the sensitivities to these values.
	Independent int `json:"independent_values,omitempty"`
	// Contribution is |Sensitivity| × Standard, rounded to 0.1 nm. Share is its square as a percentage of
	// the whole variance.
	Contribution analysis.Deviation `json:"contribution_um"`
	Share        float64            `json:"share_percent"`
	Source       string             `json:"source,omitempty"` // where the number comes from, a code
	Basis        Basis              `json:"basis,omitempty"`  // how it is known
}

// Correlation is the correlation coefficient of two components, given by name.
type Correlation struct {
	A string  `json:"a"`
	B string  `json:"b"`
	R float64 `json:"r"`
}

// Product is a term of second order: the result depends on the product of two independent inputs.
// Coefficient is the mixed second derivative, in µm per product of their units. The term adds
// (coefficient × u(A) × u(B))² to the variance (JCGM 100:2008, 5.1.2, note). It matters where the
// estimate of one factor is zero, as is often true of a temperature's departure from 20 °C.
type Product struct {
	A           string  `json:"a"`
	B           string  `json:"b"`
	Coefficient float64 `json:"coefficient_um"`
	// Contribution is the square root of the variance that the term adds, rounded to 0.1 nm.
	Contribution analysis.Deviation `json:"contribution_um"`
}

// settle works out the divisor and the standard uncertainty of the component. A component that has
// them stays as it is.
func (l *Component) settle() error {
	if l.Name == "" {
		return fmt.Errorf("a line without a name: name every input")
	}
	for _, v := range []float64{l.Estimate, l.HalfWidth, l.Divisor, l.Standard, l.Freedom, l.Sensitivity} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%s: give finite numbers", l.Name)
		}
	}
	if l.HalfWidth < 0 || l.Divisor < 0 || l.Standard < 0 || l.Freedom < 0 {
		return fmt.Errorf("%s: a width, a divisor or degrees of freedom can't be negative", l.Name)
	}
	if l.Type != A && l.Type != B {
		return fmt.Errorf("%s: type %q is not valid: give A or B", l.Name, l.Type)
	}
	if l.Divisor = l.Distribution.divisor(l.Divisor); l.Divisor == 0 {
		return fmt.Errorf("%s: distribution %q is not valid: give normal, t, rectangular, triangular or U-shaped", l.Name, l.Distribution)
	}
	if l.Distribution == T && l.Freedom == 0 {
		return fmt.Errorf("%s: a t distribution needs its degrees of freedom", l.Name)
	}
	l.Sensitivity += 0 // -0 becomes 0
	if l.HalfWidth == 0 {
		l.Divisor = 0
		return nil
	}
	u := l.HalfWidth / l.Divisor
	if l.Standard != 0 && math.Abs(l.Standard-u) > 1e-12*u {
		return fmt.Errorf("%s: half width and standard uncertainty disagree; give one of them", l.Name)
	}
	l.Standard = u
	return nil
}

// divisor returns the number that turns a half width into a standard uncertainty. given is the stated
// coverage factor, 0 for none. The result is 0 for an unknown distribution.
func (d Distribution) divisor(given float64) float64 {
	switch d {
	case Rectangular:
		return math.Sqrt(3)
	case Triangular:
		return math.Sqrt(6)
	case UShaped:
		return math.Sqrt2
	case Normal, T:
		if given == 0 {
			return 2
		}
		return given
	}
	return 0
}

// signedContribution returns Sensitivity × Standard, µm.
func (l *Component) signedContribution() float64 { return l.Sensitivity * l.Standard }
