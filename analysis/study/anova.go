package study

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"

	"fairbore/analysis"
)

// Row is one source of variation in an analysis of variance.
type Row struct {
	Source string  `json:"source"` // a code: part, operator, interaction, repeats, pooled, total, between, within
	DF     int     `json:"df"`
	SS     float64 `json:"ss"` // sum of squares, µm²
	MS     float64 `json:"ms"` // mean square, µm²; 0 without degrees of freedom
	F      Stat    `json:"f"`
	P      Stat    `json:"p"` // chance of an F at least this large if nothing differs
}

// row returns a row of the table. Its F is the ratio of its mean square to the error mean
// square against, which has dfAgainst degrees of freedom.
func row(source string, df int, ss, against float64, dfAgainst, n int) Row {
	r := Row{Source: source, DF: df, SS: ss}
	if df < 1 {
		r.F = none(n, analysis.Say("study.why.no_freedom"))
		r.P = r.F
		return r
	}
	r.MS = ss / float64(df)
	switch {
	case dfAgainst < 1:
		r.F = none(n, analysis.Say("study.why.nothing_to_compare"))
	case against <= 0:
		r.F = none(n, analysis.Say("study.why.no_spread_to_compare"))
	default:
		r.F = stat(r.MS/against, n)
	}
	r.P = r.F
	if r.F.OK {
		r.P = stat(tailF(r.F.Value, df, dfAgainst), n)
	}
	return r
}

// tailF is the chance of an F above f (Abramowitz & Stegun 26.6.2).
func tailF(f float64, d1, d2 int) float64 {
	a, b := float64(d1), float64(d2)
	return mathext.RegIncBeta(b/2, a/2, b/(b+a*f))
}

// Groups is a one-way analysis of variance.
type Groups struct {
	N          int  `json:"n"`
	Between    Row  `json:"between"`
	Within     Row  `json:"within"`
	RSquared   Stat `json:"r_squared"`
	ResidualSD Stat `json:"residual_sd"` // µm, pooled within groups
}

// OneWay compares the means of two or more groups of readings. It fails for
// fewer groups and for values that cannot be sizes.
// Source: the definition of the one-way analysis of variance. The tests compare the
// results with NIST StRD.
func OneWay(groups [][]float64) (Groups, error) {
	n, err := checkAll(groups)
	if err != nil {
		return Groups{}, err
	}
	k := len(groups)
	if k < 2 {
		return Groups{}, fmt.Errorf("one group: need at least two to compare")
	}
	// All sums are taken about the grand mean, so that the leading digits that all
	// readings share cost no precision.
	all := flat(groups)
	grand := mean(all)
	between, within := 0.0, 0.0
	for _, g := range groups {
		about := make([]float64, len(g))
		for i, v := range g {
			about[i] = v - grand
		}
		m := mean(about)
		between += float64(len(g)) * m * m
		within += squares(about, m)
	}
	least := dust(all, 0)
	between, within = least(between), least(within)
	r := Groups{N: n}
	r.Within = Row{Source: "within", DF: n - k, SS: within, F: none(n, analysis.Say("study.why.nothing_to_compare"))}
	r.Within.P = r.Within.F
	if n > k {
		r.Within.MS = within / float64(n-k)
		r.ResidualSD = stat(math.Sqrt(r.Within.MS), n)
	} else {
		r.ResidualSD = none(n, analysis.Say("study.why.one_each"))
	}
	r.Between = row("between", k-1, between, r.Within.MS, n-k, n)
	if total := between + within; total > 0 {
		r.RSquared = stat(between/total, n)
	} else {
		r.RSquared = none(n, analysis.Say("study.why.all_same"))
	}
	return r, nil
}

// significant is the chance below which a difference counts as real (common practice).
const significant = 0.05

// Spread compares how much groups spread, by two tests.
type Spread struct {
	Bartlett  Stat `json:"bartlett"` // statistic; sensitive, but valid only for normal readings
	BartlettP Stat `json:"bartlett_p"`
	Levene    Stat `json:"levene"` // statistic, about medians (Brown & Forsythe)
	LeveneP   Stat `json:"levene_p"`
}

// EqualSpread tests whether groups of at least two readings each have the same spread
// (NIST/SEMATECH e-Handbook 1.3.5.7 and 1.3.5.10).
func EqualSpread(groups [][]float64) (Spread, error) {
	n, err := checkAll(groups)
	if err != nil {
		return Spread{}, err
	}
	for i, g := range groups {
		if len(g) < 2 {
			return Spread{}, fmt.Errorf("group %d: one reading has no spread", i+1)
		}
	}
	off := make([][]float64, len(groups))
	for i, g := range groups {
		m := median(g)
		for _, v := range g {
			off[i] = append(off[i], math.Abs(v-m))
		}
	}
	w, err := OneWay(off)
	if err != nil {
		return Spread{}, err
	}
	s := Spread{Levene: w.Between.F, LeveneP: w.Between.P}
	s.Bartlett, s.BartlettP = bartlett(groups, n)
	return s, nil
}

func bartlett(groups [][]float64, n int) (t, p Stat) {
	pooled, logs, inverse := 0.0, 0.0, 0.0
	df := float64(n - len(groups))
	for _, g := range groups {
		d := float64(len(g) - 1)
		ss := squares(g, mean(g))
		if ss <= 0 {
			t = none(n, analysis.Say("study.why.group_no_spread"))
			return t, t
		}
		pooled += ss
		logs += d * math.Log(ss/d)
		inverse += 1 / d
	}
	k := float64(len(groups) - 1)
	t = stat((df*math.Log(pooled/df)-logs)/(1+(inverse-1/df)/(3*k)), n)
	return t, stat(distuv.ChiSquared{K: k}.Survival(max(0, t.Value)), n)
}
