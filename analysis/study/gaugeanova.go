package study

import (
	"gonum.org/v1/gonum/stat/distuv"

	"fairbore/analysis"
)

// PoolAbove is the usual chance above which an interaction counts as noise and is pooled
// with the repeats (common practice; 0.05 is also in use).
const PoolAbove = 0.25

// ByANOVA evaluates a gauge study by a two-way analysis of variance with random parts and
// operators (AIAG, Measurement Systems Analysis, ch. III B). It compares the gauge with a
// tolerance in µm. The tolerance is 0 if there is none. The interaction of operators and
// parts is pooled with the repeats if its chance is above pool. The usual pool is
// [PoolAbove]; with 1 an interaction that can be tested is never pooled. ByANOVA fails if
// readings are missing or cannot be sizes.
func ByANOVA(t Table, tolerance, pool float64) (GaugeStudy, error) {
	parts, operators, trials, err := t.shape()
	if err == nil {
		err = checkTolerance(tolerance)
	}
	if err != nil {
		return GaugeStudy{}, err
	}
	g := GaugeStudy{Method: "anova", Parts: parts, Operators: operators, Trials: trials, Tolerance: tolerance}
	n := parts * operators * trials
	g.RangeLimit = none(n, analysis.Say("study.why.not_this_method"))
	s := twoWay(t)

	p, o, r := float64(parts), float64(operators), float64(trials)
	dfO, dfP, dfE := operators-1, parts-1, parts*operators*(trials-1)
	dfI := dfO * dfP
	msE := s.repeat / float64(dfE)
	interaction := row("interaction", dfI, s.interaction, msE, dfE, n)
	g.Pooled = dfI == 0 || !interaction.P.OK || interaction.P.Value > pool
	against, dfAgainst := interaction.MS, dfI
	pooled := Row{Source: "pooled", DF: dfE + dfI, SS: s.repeat + s.interaction, F: none(n, analysis.Say("study.why.nothing_to_compare"))}
	pooled.MS, pooled.P = pooled.SS/float64(pooled.DF), pooled.F
	if g.Pooled {
		against, dfAgainst = pooled.MS, pooled.DF
	}
	op := row("operator", dfO, s.operator, against, dfAgainst, n)
	part := row("part", dfP, s.part, against, dfAgainst, n)
	repeats := Row{Source: "repeats", DF: dfE, SS: s.repeat, MS: msE, F: pooled.F, P: pooled.F}
	total := Row{Source: "total", DF: n - 1, SS: s.operator + s.part + s.interaction + s.repeat, F: pooled.F, P: pooled.F}
	total.MS = total.SS / float64(total.DF)
	g.Rows = []Row{op, part, interaction, repeats, pooled, total}

	// The components follow from the expected mean squares of the balanced random model. A
	// component below 0 counts as 0.
	ev, inter := msE, max(0, (interaction.MS-msE)/r)
	if g.Pooled {
		ev, inter = pooled.MS, 0
	}
	av := 0.0
	if dfO > 0 {
		av = max(0, (op.MS-against)/(p*r))
	}
	dfRepeat := dfE
	if g.Pooled {
		dfRepeat = pooled.DF
	}
	g.RepeatLow, g.RepeatHigh = spreadLimits(ev, dfRepeat, n)
	g.fill(n, ev, av, inter, max(0, (part.MS-against)/(o*r)))
	return g, nil
}

// twoWaySums holds the sums of squares of a balanced two-way layout, in µm².
type twoWaySums struct{ operator, part, interaction, repeat float64 }

// twoWay computes the sums about the grand mean. It computes each one as a sum of squares,
// never as a difference of large sums. A sum that rounding alone could have made is 0.
func twoWay(t Table) (s twoWaySums) {
	parts, operators, trials := len(t.Parts), len(t.Operators), len(t.Values[0][0])
	var all []float64
	for _, p := range t.Values {
		all = append(all, flat(p)...)
	}
	grand := mean(all)
	cell := make([][]float64, parts)
	byPart, byOperator := make([]float64, parts), make([]float64, operators)
	for i, p := range t.Values {
		cell[i] = make([]float64, operators)
		for j, c := range p {
			about := make([]float64, trials)
			for k, v := range c {
				about[k] = v - grand
			}
			m := mean(about)
			cell[i][j] = m
			byPart[i] += m / float64(operators)
			byOperator[j] += m / float64(parts)
			s.repeat += max(0, squares(about, m))
		}
	}
	r := float64(trials)
	for i := range cell {
		s.part += float64(operators) * r * byPart[i] * byPart[i]
		for j := range cell[i] {
			d := cell[i][j] - byPart[i] - byOperator[j]
			s.interaction += r * d * d
		}
	}
	for j := range byOperator {
		s.operator += float64(parts) * r * byOperator[j] * byOperator[j]
	}
	least := dust(all, parts+operators)
	return twoWaySums{least(s.operator), least(s.part), least(s.interaction), least(s.repeat)}
}

// repeatConfidence is the confidence of the limits of the repeatability.
const repeatConfidence = 0.95

// spreadLimits bounds a standard deviation by chi-square: s √(ν/χ²).
func spreadLimits(variance float64, df, n int) (low, high Stat) {
	if variance <= 0 {
		low = none(n, analysis.Say("study.why.repeats_same"))
		return low, low
	}
	chi := distuv.ChiSquared{K: float64(df)}
	at := func(p float64) Stat { return stat(squareRoot(variance*float64(df)/chi.Quantile(p)), n) }
	return at((1 + repeatConfidence) / 2), at((1 - repeatConfidence) / 2)
}
