package study

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"fairbore/analysis"
)

// Table holds the readings of a gauge study. Each operator gauges each part several times.
type Table struct {
	Parts     []string `json:"parts"`
	Operators []string `json:"operators"`
	// Values are in µm: [part][operator][trial], the same number of trials everywhere.
	Values [][][]float64 `json:"values_um"`
}

// shape returns the numbers of parts, operators and trials, and an error that
// says where readings are missing.
func (t Table) shape() (parts, operators, trials int, err error) {
	parts, operators = len(t.Parts), len(t.Operators)
	if parts < 2 || operators < 1 {
		return 0, 0, 0, errors.New("gauge study: give at least two parts and one operator")
	}
	if len(t.Values) != parts {
		return 0, 0, 0, fmt.Errorf("gauge study: %d parts are named and %d have readings", parts, len(t.Values))
	}
	for i, p := range t.Values {
		if len(p) != operators {
			return 0, 0, 0, fmt.Errorf("gauge study: part %s has readings of %d operators, not %d", t.Parts[i], len(p), operators)
		}
		for j, cell := range p {
			if trials == 0 {
				trials = len(cell)
			}
			if len(cell) != trials {
				return 0, 0, 0, fmt.Errorf("gauge study: %s gauged part %s %d times, others %d times", t.Operators[j], t.Parts[i], len(cell), trials)
			}
			if err := check(cell); err != nil {
				return 0, 0, 0, fmt.Errorf("gauge study: %s on part %s: %w", t.Operators[j], t.Parts[i], err)
			}
		}
	}
	if trials < 2 {
		return 0, 0, 0, errors.New("gauge study: give at least two trials of each part by each operator")
	}
	return parts, operators, trials, nil
}

// Source is one source of variation in a gauge study.
type Source struct {
	SD           Stat `json:"sd"`               // µm
	Contribution Stat `json:"contribution_pct"` // share of the total variance
	OfTotal      Stat `json:"of_total_pct"`     // share of the total standard deviation
	OfTolerance  Stat `json:"of_tolerance_pct"` // 6 SD against the tolerance
}

// GaugeStudy tells how much of the spread of readings comes from the gauge and from the
// people.
type GaugeStudy struct {
	Method        string  `json:"method"` // a code: anova, ranges
	Parts         int     `json:"parts"`
	Operators     int     `json:"operators"`
	Trials        int     `json:"trials"`
	Tolerance     float64 `json:"tolerance_um"` // 0 if not given
	Repeatability Source  `json:"repeatability"`
	Operator      Source  `json:"operator"`    // reproducibility
	Interaction   Source  `json:"interaction"` // operators differ from part to part
	Gauge         Source  `json:"gauge"`       // the three sources above together
	Part          Source  `json:"part"`
	Total         Source  `json:"total"`
	Distinct      Stat    `json:"distinct_classes"` // classes of parts that the gauge tells apart, before truncation
	Rows          []Row   `json:"anova,omitempty"`
	Pooled        bool    `json:"interaction_pooled,omitempty"`
	// RangeLimit is the upper control limit of the ranges of trials, in µm. Only the method
	// of average and range has it.
	RangeLimit Stat `json:"range_limit"`
	// RepeatLow and RepeatHigh bound the repeatability in µm at 95 % confidence, by
	// chi-square (NIST/SEMATECH e-Handbook 7.2.3.1). Only the analysis of variance has them.
	RepeatLow  Stat              `json:"repeat_low"`
	RepeatHigh Stat              `json:"repeat_high"`
	Notes      []analysis.Phrase `json:"notes,omitempty"`
}

// The usual figures for judging a gauge study. They are common practice after the AIAG
// manual Measurement Systems Analysis.
const (
	GoodShare  = 10 // per cent; a gauge with a smaller share is good
	WorstShare = 30 // per cent; a gauge with a share up to this is used by agreement

	wantedClasses   = 5
	wantedParts     = 10
	wantedOperators = 3
	wantedPairs     = 15 // pairs of part and operator
	largeSample     = 15 // for more subgroups than this, d2* equals d2
	classFactor     = 1.41
)

// AverageAndRange evaluates a gauge study by the method of average and range (AIAG,
// Measurement Systems Analysis, ch. III B). It compares the gauge with a tolerance in µm.
// The tolerance is 0 if there is none. AverageAndRange fails if readings are missing or
// cannot be sizes.
func AverageAndRange(t Table, tolerance float64) (GaugeStudy, error) {
	parts, operators, trials, err := t.shape()
	if err == nil {
		err = checkTolerance(tolerance)
	}
	if err != nil {
		return GaugeStudy{}, err
	}
	k, err := studyFactors(parts, operators, trials)
	if err != nil {
		return GaugeStudy{}, err
	}
	return averageAndRange(t, tolerance, k)
}

// factors holds the factors that turn mean ranges into standard deviations. The manual
// calls them K1, K2 and K3. d4 is the factor of the upper limit of ranges.
type factors struct{ k1, k2, k3, d4 float64 }

// studyFactors computes the factors as 1/d2*. For g subgroups d2* = √(d2² + d3²/g). For more
// than 15 subgroups d2* = d2, as in the manual's table.
func studyFactors(parts, operators, trials int) (f factors, err error) {
	c, err := ChartConstants(trials)
	if err != nil {
		return f, fmt.Errorf("trials: %w", err)
	}
	star := func(c Constants, groups int) float64 {
		if groups > largeSample {
			return 1 / c.Range
		}
		return 1 / math.Sqrt(c.Range*c.Range+c.RangeSD*c.RangeSD/float64(groups))
	}
	f.k1, f.d4 = star(c, parts*operators), c.D4
	if c, err = ChartConstants(parts); err != nil {
		return f, fmt.Errorf("parts: %w", err)
	}
	f.k3 = star(c, 1)
	if operators > 1 {
		if c, err = ChartConstants(operators); err != nil {
			return f, fmt.Errorf("operators: %w", err)
		}
		f.k2 = star(c, 1)
	}
	return f, nil
}

func averageAndRange(t Table, tolerance float64, k factors) (GaugeStudy, error) {
	parts, operators, trials := len(t.Parts), len(t.Operators), len(t.Values[0][0])
	n := parts * operators * trials
	var ranges []float64
	byOperator, byPart := make([][]float64, operators), make([][]float64, parts)
	for i, p := range t.Values {
		for j, cell := range p {
			ranges = append(ranges, slices.Max(cell)-slices.Min(cell))
			byOperator[j] = append(byOperator[j], cell...)
			byPart[i] = append(byPart[i], cell...)
		}
	}
	r := mean(ranges)
	ev := r * k.k1
	av := spanOfMeans(byOperator) * k.k2
	av = squareRoot(av*av - ev*ev/float64(parts*trials))
	pv := spanOfMeans(byPart) * k.k3
	g := GaugeStudy{Method: "ranges", Parts: parts, Operators: operators, Trials: trials, Tolerance: tolerance, RangeLimit: stat(k.d4*r, n)}
	g.RepeatLow = none(n, analysis.Say("study.why.not_this_method"))
	g.RepeatHigh = g.RepeatLow
	g.fill(n, ev*ev, av*av, 0, pv*pv)
	g.Interaction.SD = none(n, analysis.Say("study.why.not_separated"))
	if out := count(ranges, func(v float64) bool { return v > k.d4*r }); out > 0 {
		g.Notes = append(g.Notes, analysis.Say("study.note.ranges", out, len(ranges), figures(k.d4*r)))
	}
	return g, nil
}

func spanOfMeans(groups [][]float64) float64 {
	m := make([]float64, len(groups))
	for i, g := range groups {
		m[i] = mean(g)
	}
	return slices.Max(m) - slices.Min(m)
}

func count(x []float64, is func(float64) bool) (n int) {
	for _, v := range x {
		if is(v) {
			n++
		}
	}
	return n
}

func checkTolerance(tolerance float64) error {
	if math.IsNaN(tolerance) || tolerance < 0 || tolerance > largest {
		return errors.New("tolerance: give µm above 0, or 0 for none")
	}
	return nil
}

// fill computes all results that follow from the four variances: of repeats, of operators,
// of the interaction of operators with parts, and of parts.
func (g *GaugeStudy) fill(n int, repeat, operator, interaction, part float64) {
	gauge := repeat + operator + interaction
	total := gauge + part
	source := func(v float64) Source {
		s := Source{SD: stat(squareRoot(v), n)}
		s.Contribution, s.OfTotal = none(n, analysis.Say("study.why.nothing_varies")), none(n, analysis.Say("study.why.nothing_varies"))
		if total > 0 {
			s.Contribution = stat(100*v/total, n)
			s.OfTotal = stat(100*squareRoot(v/total), n)
		}
		s.OfTolerance = none(n, analysis.Say("study.why.no_tolerance"))
		if g.Tolerance > 0 {
			s.OfTolerance = stat(100*6*squareRoot(v)/g.Tolerance, n)
		}
		return s
	}
	g.Repeatability, g.Operator, g.Interaction = source(repeat), source(operator), source(interaction)
	g.Gauge, g.Part, g.Total = source(gauge), source(part), source(total)
	g.Distinct = none(n, analysis.Say("study.why.no_spread"))
	if gauge > 0 {
		g.Distinct = stat(classFactor*squareRoot(part/gauge), n)
	}
	if g.Operators < 2 {
		why := analysis.Say("study.why.one_operator")
		g.Operator = Source{SD: none(n, why), Contribution: none(n, why), OfTotal: none(n, why), OfTolerance: none(n, why)}
		g.Notes = append(g.Notes, analysis.Say("study.note.one_operator"))
	}
	if repeat <= 0 {
		g.Notes = append(g.Notes, analysis.Say("study.note.repeats_same"))
	}
	if g.Parts < wantedParts {
		g.Notes = append(g.Notes, analysis.Say("study.note.few_parts", g.Parts, wantedParts))
	}
	if g.Operators > 1 && g.Operators < wantedOperators {
		g.Notes = append(g.Notes, analysis.Say("study.note.two_operators"))
	}
	if g.Few() {
		g.Notes = append(g.Notes, analysis.Say("study.note.few_pairs", g.Parts, g.Operators, wantedPairs))
	}
}

// Few reports whether the study is too small to rely on its figures. It is too small with
// fewer than 15 pairs of part and operator (common practice).
func (g GaugeStudy) Few() bool { return g.Parts*g.Operators < wantedPairs }

// Judged returns the share in per cent by which the gauge is judged. It is the share of
// the tolerance if a tolerance is given, else the share of the total variation.
func (g GaugeStudy) Judged() Stat {
	if g.Tolerance > 0 {
		return g.Gauge.OfTolerance
	}
	return g.Gauge.OfTotal
}

// Named is a source of variation with its code. The codes are repeats, operators,
// interaction, gauge (the first three together), parts and total.
type Named struct {
	Code string
	Source
}

// Sources returns the sources in their usual order.
func (g GaugeStudy) Sources() []Named {
	return []Named{{"repeats", g.Repeatability}, {"operators", g.Operator}, {"interaction", g.Interaction}, {"gauge", g.Gauge}, {"parts", g.Part}, {"total", g.Total}}
}

// Says returns the whole study as phrases.
func (g GaugeStudy) Says() []analysis.Phrase {
	said := []analysis.Phrase{analysis.Say("study.head", analysis.Say("study.method."+g.Method), g.Parts, g.Operators, g.Trials)}
	for _, s := range g.Sources() {
		name, sd := analysis.Say("study.source_of."+s.Code), figures(s.SD.Value)
		switch {
		case !s.SD.OK:
		case s.OfTotal.OK && s.OfTolerance.OK:
			said = append(said, analysis.Say("study.source_both", name, sd, percent(s.OfTotal), percent(s.OfTolerance)))
		case s.OfTotal.OK:
			said = append(said, analysis.Say("study.source_total", name, sd, percent(s.OfTotal)))
		case s.OfTolerance.OK:
			said = append(said, analysis.Say("study.source_tolerance", name, sd, percent(s.OfTolerance)))
		default:
			said = append(said, analysis.Say("study.source", name, sd))
		}
	}
	return append(append(said, g.verdict()), g.Follows()...)
}

func percent(s Stat) analysis.Number { return analysis.Number{Value: s.Value, Places: 1} }

// Follows returns what follows from the figures besides the verdict: the classes, the
// cause and the notes.
func (g GaugeStudy) Follows() []analysis.Phrase {
	return slices.Concat(g.classes(), g.cause(), g.Notes)
}

// majorShare is the share of the gauge's variance at which one source counts as the main
// cause.
const majorShare = 2.0 / 3

// cause names the main source of the gauge's spread and where to look for its cause
// (common practice).
func (g GaugeStudy) cause() []analysis.Phrase {
	all := g.Gauge.SD.Value * g.Gauge.SD.Value
	share := func(s Source) float64 { return s.SD.Value * s.SD.Value / all }
	switch {
	case !g.Judged().OK || all <= 0 || g.Judged().Value < GoodShare || g.Operators < 2:
		return nil
	case share(g.Repeatability) >= majorShare:
		return []analysis.Phrase{analysis.Say("study.cause.gauge")}
	case share(g.Operator)+share(g.Interaction) >= majorShare:
		return []analysis.Phrase{analysis.Say("study.cause.people")}
	}
	return []analysis.Phrase{analysis.Say("study.cause.both")}
}

func (g GaugeStudy) verdict() analysis.Phrase {
	against := analysis.Say("study.total_variation")
	if g.Tolerance > 0 {
		against = analysis.Say("study.tolerance", figures(g.Tolerance))
	}
	switch j := g.Judged(); {
	case !j.OK:
		return analysis.Say("study.cannot_judge", j.Why)
	case j.Value < GoodShare:
		return analysis.Say("study.good", percent(j), against)
	case j.Value <= WorstShare:
		return analysis.Say("study.by_agreement", percent(j), against)
	default:
		return analysis.Say("study.not_good", percent(j), against)
	}
}

// classes says how many classes of parts the gauge tells apart.
func (g GaugeStudy) classes() []analysis.Phrase {
	switch d := g.Distinct; {
	case !d.OK:
		return nil
	case d.Value < 2:
		return []analysis.Phrase{analysis.Say("study.classes.none", wantedClasses)}
	case int(d.Value) < wantedClasses:
		return []analysis.Phrase{analysis.Say("study.classes.few", int(d.Value), wantedClasses)}
	default:
		return []analysis.Phrase{analysis.Say("study.classes", int(d.Value), wantedClasses)}
	}
}
