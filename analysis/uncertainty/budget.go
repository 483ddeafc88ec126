// Package uncertainty works out the uncertainty of a size by the Guide to the
// Expression of Uncertainty in Measurement (GUM, JCGM 100:2008).
//
// A [Model] is a list of inputs with their sensitivities. Its [Budget] states the combined standard
// uncertainty, the effective degrees of freedom (Welch and Satterthwaite), the coverage factor from
// Student's t and the expanded uncertainty. Where one rectangular input or products of inputs
// dominate, the expanded uncertainty comes from propagation of distributions (JCGM 101:2008).
//
// [Bore] and [Difference] build the models of this trade. [Bore] compares a bore with a setting
// ring. [Difference] compares two sizes of one bore with each other. The stated uncertainties are
// rounded up to a whole 0.1 nm, so that rounding never makes a measurement look better than it is.
package uncertainty

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"fairbore/analysis"
)

// Level2 is the probability within two standard deviations of a normal distribution: the level of
// confidence of a coverage factor k = 2.
const Level2 = 0.954499736103642

// Model is the input of a budget.
type Model struct {
	Of           string        `json:"of"` // what the result is, a code: bore or difference
	Components   []Component   `json:"lines"`
	Correlations []Correlation `json:"correlations,omitempty"`
	Products     []Product     `json:"products,omitempty"`
	// Level is the level of confidence of the expanded uncertainty. 0 means [Level2], so that k is 2 for
	// unlimited degrees of freedom.
	Level float64 `json:"level,omitempty"`
	// FixedK is a coverage factor to use for any degrees of freedom. 0 means the factor from Student's t.
	FixedK float64 `json:"fixed_coverage_factor,omitempty"`
}

// Stated is an uncertainty as it is used and stated.
type Stated struct {
	Standard analysis.Deviation `json:"standard_um"` // combined standard uncertainty u
	Expanded analysis.Deviation `json:"expanded_um"` // U = k × u
	K        float64            `json:"coverage_factor"`
	Level    float64            `json:"confidence"` // of U, as a fraction of 1
	// Propagated says that U comes from the distribution of the result, because the GUM's k × u is too far
	// from it. K is then U / u.
	Propagated bool `json:"propagated,omitempty"`
	// Freedom is the effective number of degrees of freedom; 0: unlimited.
	Freedom float64 `json:"effective_degrees_of_freedom,omitempty"`
}

// Say states the result: u, effective degrees of freedom, k and U.
func (s Stated) Say() analysis.Phrase {
	k, level := analysis.Number{Value: s.K, Places: 2}, analysis.Number{Value: 100 * s.Level, Places: 2}
	if s.Freedom == 0 {
		return analysis.Say("budget.stated_without_limit", analysis.Fine(s.Standard), k, level, analysis.Fine(s.Expanded))
	}
	return analysis.Say("budget.stated", analysis.Fine(s.Standard), analysis.Number{Value: s.Freedom, Places: 1}, k, level, analysis.Fine(s.Expanded))
}

// Budget is an evaluated model.
type Budget struct {
	Model
	Stated `json:"stated"`
}

// maxUncertainty is the largest uncertainty that is accepted, in µm (1 m).
const maxUncertainty = 1e6

// Budget evaluates the model. It fails when a component is incomplete or contradicts itself, or when
// the correlations are impossible together. Where the distribution of the result is not nearly normal,
// U comes from that distribution. Source: JCGM 100:2008, 5.2.2 and G.4.1; JCGM 101:2008, clauses 5, 6
// and 8.
func (m Model) Budget() (Budget, error) {
	b := Budget{Model: m}
	b.Components = append([]Component(nil), m.Components...)
	b.Products = append([]Product(nil), m.Products...)
	u, freedom, err := b.combine()
	if err != nil {
		return Budget{}, fmt.Errorf("budget of %s: %w", m.Of, err)
	}
	k, level, err := m.coverage(freedom)
	if err != nil {
		return Budget{}, fmt.Errorf("budget of %s: %w", m.Of, err)
	}
	expanded, propagated := k*u, false
	if without, _, err := m.coverage(0); err == nil && m.FixedK == 0 {
		if expanded, propagated = b.propagated(u, k, k/without, level); propagated {
			k = expanded / u
		}
	}
	if expanded > maxUncertainty {
		return Budget{}, fmt.Errorf("budget of %s: the uncertainty comes to more than 1 m; check the units", m.Of)
	}
	b.Stated = Stated{Standard: roundUp(u), Expanded: roundUp(expanded), K: k, Level: level, Freedom: freedom, Propagated: propagated}
	b.fillShares(u)
	return b, nil
}

// roundUp rounds v µm up to a whole 0.1 nm. An excess of less than a millionth of that is a
// floating-point error and is dropped.
func roundUp(v float64) analysis.Deviation {
	return analysis.Deviation(math.Ceil(v*float64(analysis.Micrometre) - 1e-6))
}

func near(v float64) analysis.Deviation {
	return analysis.Deviation(math.Round(v * float64(analysis.Micrometre)))
}

func (b *Budget) fillShares(u float64) {
	for i := range b.Components {
		l := &b.Components[i]
		c := math.Abs(l.signedContribution())
		l.Contribution = near(c)
		if u > 0 {
			l.Share = 100 * c * c / (u * u)
		}
	}
}

// combine returns the combined standard uncertainty in µm and the effective degrees of freedom, 0 for
// unlimited.
func (b *Budget) combine() (u, freedom float64, err error) {
	if len(b.Components) == 0 {
		return 0, 0, errors.New("it has no lines")
	}
	index := make(map[string]int, len(b.Components))
	for i := range b.Components {
		if err := b.Components[i].settle(); err != nil {
			return 0, 0, err
		}
		if _, twice := index[b.Components[i].Name]; twice {
			return 0, 0, fmt.Errorf("%s: two lines of that name", b.Components[i].Name)
		}
		index[b.Components[i].Name] = i
	}
	g, err := b.group(index)
	if err != nil {
		return 0, 0, err
	}
	if err := b.addProducts(index, g); err != nil {
		return 0, 0, err
	}
	return g.combine()
}

// groups holds the components in groups, so that no two groups are correlated.
type groups struct {
	of       []int     // the group of each component
	variance []float64 // of each group, µm²
	freedom  []float64 // of each group; 0: unlimited
}

// group joins correlated components. The formula of Welch and Satterthwaite needs independent terms
// (JCGM 100:2008, G.4.1). So correlated components enter it as one term with the fewest degrees of
// freedom among them, which is on the safe side.
func (b *Budget) group(index map[string]int) (*groups, error) {
	n := len(b.Components)
	g := &groups{of: make([]int, n), variance: make([]float64, n), freedom: make([]float64, n)}
	for i := range b.Components {
		g.of[i] = i
	}
	for _, c := range b.Correlations {
		i, j, err := pair(index, c.A, c.B)
		if err != nil {
			return nil, fmt.Errorf("correlation: %w", err)
		}
		if !(math.Abs(c.R) <= 1) {
			return nil, fmt.Errorf("correlation of %s and %s: %v is not between -1 and 1", c.A, c.B, c.R)
		}
		g.join(g.of[i], g.of[j])
		g.variance[g.of[i]] += 2 * c.R * b.Components[i].signedContribution() * b.Components[j].signedContribution()
	}
	for i := range b.Components {
		p := b.Components[i].signedContribution()
		g.variance[g.of[i]] += p * p
		if p != 0 {
			g.freedom[g.of[i]] = fewerFreedom(g.freedom[g.of[i]], b.Components[i].Freedom)
		}
	}
	return g, nil
}

func pair(index map[string]int, a, b string) (i, j int, err error) {
	i, okA := index[a]
	j, okB := index[b]
	if !okA || !okB || i == j {
		return 0, 0, fmt.Errorf("%q and %q: name two lines of the budget", a, b)
	}
	return i, j, nil
}

func (g *groups) join(a, b int) {
	if a == b {
		return
	}
	for i, of := range g.of {
		if of == b {
			g.of[i] = a
		}
	}
	g.variance[a] += g.variance[b]
	g.variance[b] = 0
}

// fewerFreedom returns the smaller of two numbers of degrees of freedom, where 0 is unlimited.
func fewerFreedom(a, b float64) float64 {
	if a == 0 || b != 0 && b < a {
		return b
	}
	return a
}

// addProducts adds each product as its own group.
func (b *Budget) addProducts(index map[string]int, g *groups) error {
	for k := range b.Products {
		p := &b.Products[k]
		i, j, err := pair(index, p.A, p.B)
		if err != nil {
			return fmt.Errorf("product: %w", err)
		}
		c := math.Abs(p.Coefficient * b.Components[i].Standard * b.Components[j].Standard)
		if !(c <= maxUncertainty) {
			return fmt.Errorf("product of %s and %s: the coefficient %v can't be right", p.A, p.B, p.Coefficient)
		}
		p.Contribution = near(c)
		g.variance = append(g.variance, c*c)
		g.freedom = append(g.freedom, fewerFreedom(b.Components[i].Freedom, b.Components[j].Freedom))
	}
	return nil
}

// combine adds the variances of the groups (JCGM 100:2008, 5.1.2, 5.2.2) and works out the
// effective degrees of freedom (G.4.1, formula G.2b).
func (g *groups) combine() (u, freedom float64, err error) {
	var sum, below float64
	for i, v := range g.variance {
		sum += v
		if g.freedom[i] > 0 {
			below += v * v / g.freedom[i]
		}
	}
	switch {
	case math.IsNaN(sum) || sum > maxUncertainty*maxUncertainty:
		return 0, 0, errors.New("the uncertainty comes to more than 1 m; check the units")
	case sum < 0:
		return 0, 0, errors.New("these correlations can't all be true: they make the variance negative")
	case below <= 0 || sum*sum/below > 1e6:
		return math.Sqrt(sum), 0, nil
	}
	return math.Sqrt(sum), sum * sum / below, nil
}

// coverage returns the coverage factor. Degrees of freedom are rounded down to a whole number, at
// least 1 (JCGM 100:2008, G.4.1, note 1, and G.6.4).
func (m *Model) coverage(freedom float64) (k, level float64, err error) {
	level = m.Level
	if level == 0 {
		level = Level2
	}
	switch {
	case !(level > 0.5 && level < 1):
		return 0, 0, fmt.Errorf("level of confidence %v is out of range: give above 0.5 and below 1", m.Level)
	case m.FixedK < 0 || m.FixedK > 10 || math.IsNaN(m.FixedK):
		return 0, 0, fmt.Errorf("coverage factor %v is out of range: give above 0 and up to 10, usually 2", m.FixedK)
	case m.FixedK > 0:
		return m.FixedK, 2*distuv.UnitNormal.CDF(m.FixedK) - 1, nil
	case freedom == 0 && m.Level == 0:
		return 2, level, nil
	case freedom == 0:
		return distuv.UnitNormal.Quantile((1 + level) / 2), level, nil
	}
	return student((1+level)/2, max(1, math.Floor(freedom))), level, nil
}

// student returns the quantile of Student's t. For many degrees of freedom it uses the expansion about
// the normal quantile (Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.5), which is
// accurate to 1e-8 and some hundred times faster than inverting the distribution.
func student(p, nu float64) float64 {
	if nu < 100 {
		return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}.Quantile(p)
	}
	z := distuv.UnitNormal.Quantile(p)
	z2 := z * z
	g1 := z * (z2 + 1) / 4
	g2 := z * (z2*(5*z2+16) + 3) / 96
	g3 := z * (z2*(z2*(3*z2+19)+17) - 15) / 384
	g4 := z * (z2*(z2*(z2*(79*z2+776)+1482)-1920) - 945) / 92160
	return z + (g1+(g2+(g3+g4/nu)/nu)/nu)/nu
}
