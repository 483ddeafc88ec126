package study

import (
	"errors"
	"fmt"
	"slices"

	"fairbore/analysis"
)

// Series is one line of a control chart with its limits, µm.
type Series struct {
	Name   string    `json:"name"` // a code: reading, mean, moving_range, range, sd
	Values []float64 `json:"values"`
	Centre float64   `json:"centre"`
	Low    float64   `json:"low"`
	High   float64   `json:"high"`
}

// Signal is a point that shows that the process changed.
type Signal struct {
	Series string `json:"series"`
	Point  int    `json:"point"` // 1 is the first
	Rule   string `json:"rule"`  // [RuleBeyond] and so on
}

// Chart is a control chart. It shows where the sizes lie and how much they spread, in the
// order in which the parts were made.
type Chart struct {
	Kind     string            `json:"kind"`          // a code: individuals, xbar_r, xbar_s
	Size     int               `json:"subgroup_size"` // 1 for single readings
	Location Series            `json:"location"`
	Spread   Series            `json:"spread"`
	Sigma    Stat              `json:"sigma"` // within subgroups, µm
	Signals  []Signal          `json:"signals,omitempty"`
	Notes    []analysis.Phrase `json:"notes,omitempty"`
}

// wantedSubgroups is the number of subgroups that the limits should rest on (common
// practice).
const wantedSubgroups = 20

// XbarR charts the means and ranges of subgroups of the same size, 2 to 100 readings.
// The range is a poor measure of spread for more than about ten readings. XbarR fails
// for fewer than two subgroups, for unequal subgroups, and for values that cannot be sizes.
// Source: NIST/SEMATECH e-Handbook 6.3.2.1 (from memory).
func XbarR(groups [][]float64) (Chart, error) {
	c, k, err := newChart("xbar_r", "range", groups, func(g []float64) float64 { return slices.Max(g) - slices.Min(g) })
	if err != nil {
		return c, err
	}
	r := c.Spread.Centre
	c.Sigma = stat(r/k.Range, c.Size*len(groups))
	c.Location.around(k.A2 * r)
	c.Spread.Low, c.Spread.High = k.D3*r, k.D4*r
	return c.finish(), nil
}

// XbarS charts the means and standard deviations of subgroups. Otherwise it works like
// [XbarR].
func XbarS(groups [][]float64) (Chart, error) {
	c, k, err := newChart("xbar_s", "sd", groups, func(g []float64) float64 {
		return squareRoot(squares(g, mean(g)) / float64(len(g)-1))
	})
	if err != nil {
		return c, err
	}
	s := c.Spread.Centre
	c.Sigma = stat(s/k.SD, c.Size*len(groups))
	c.Location.around(k.A3 * s)
	c.Spread.Low, c.Spread.High = k.B3*s, k.B4*s
	return c.finish(), nil
}

// Individuals charts single readings, and the moving range of each two successive
// readings. It fails for fewer than three readings and for values that cannot be sizes.
// Source: NIST/SEMATECH e-Handbook 6.3.2.2 (from memory).
func Individuals(x []float64) (Chart, error) {
	if err := check(x); err != nil {
		return Chart{}, err
	}
	if len(x) < 3 {
		return Chart{}, errors.New("control chart: give at least three readings")
	}
	k, err := ChartConstants(2)
	if err != nil {
		return Chart{}, err
	}
	moving := make([]float64, len(x)-1)
	for i := range moving {
		moving[i] = max(x[i+1]-x[i], x[i]-x[i+1])
	}
	r := mean(moving)
	c := Chart{
		Kind: "individuals", Size: 1,
		Location: Series{Name: "reading", Values: slices.Clone(x), Centre: mean(x)},
		Spread:   Series{Name: "moving_range", Values: moving, Centre: r, Low: k.D3 * r, High: k.D4 * r},
		Sigma:    stat(r/k.Range, len(x)),
	}
	c.Location.around(k.E2 * r)
	return c.finish(), nil
}

func newChart(kind, spread string, groups [][]float64, measure func([]float64) float64) (Chart, Constants, error) {
	if _, err := checkAll(groups); err != nil {
		return Chart{}, Constants{}, err
	}
	if len(groups) < 2 {
		return Chart{}, Constants{}, errors.New("control chart: give at least two subgroups")
	}
	n := len(groups[0])
	c := Chart{Kind: kind, Size: n, Location: Series{Name: "mean"}, Spread: Series{Name: spread}}
	for i, g := range groups {
		if len(g) != n {
			return Chart{}, Constants{}, fmt.Errorf("control chart: subgroup %d has %d readings, the first %d", i+1, len(g), n)
		}
	}
	k, err := ChartConstants(n)
	if err != nil {
		return Chart{}, Constants{}, err
	}
	for _, g := range groups {
		c.Location.Values = append(c.Location.Values, mean(g))
		c.Spread.Values = append(c.Spread.Values, measure(g))
	}
	c.Location.Centre, c.Spread.Centre = mean(c.Location.Values), mean(c.Spread.Values)
	return c, k, nil
}

func (s *Series) around(half float64) { s.Low, s.High = s.Centre-half, s.Centre+half }

// finish looks for signals and adds notes on how far the chart can be trusted.
func (c Chart) finish() Chart {
	n := len(c.Location.Values)
	if c.Sigma.Value <= 0 {
		c.Sigma = none(c.Sigma.N, analysis.Say("study.why.no_spread_within"))
		c.Notes = append(c.Notes, analysis.Say("study.note.no_chart"))
		return c
	}
	if n < wantedSubgroups {
		c.Sigma = c.Sigma.unless(analysis.Say("study.why.trial", n, wantedSubgroups))
		c.Notes = append(c.Notes, analysis.Say("study.note.trial", n, wantedSubgroups))
	}
	c.Signals = append(signals(c.Location, true), signals(c.Spread, false)...)
	return c
}

// The codes of the rules that a point out of control breaks. The rules are common practice,
// as in NIST/SEMATECH e-Handbook 6.3.2 (from memory).
const (
	RuleBeyond = "beyond" // beyond the control limits
	RuleTwo    = "two"    // two of three near the same limit
	RuleRun    = "run"    // eight in a row on one side of the centre
	RuleTrend  = "trend"  // six in a row rising or falling
)

const runLength, trendLength = 8, 6

// signals lists the points of a series that break a rule. It applies all rules if all is
// true. For spreads, whose distribution is skewed, only the control limits count.
func signals(s Series, all bool) (out []Signal) {
	side, run, rising, falling := 0, 0, 1, 1
	near := func(i, side int) bool { // in the outer third on that side
		third := (s.High - s.Low) / 6
		return i >= 0 && float64(side)*(s.Values[i]-s.Centre) > 2*third
	}
	for i, v := range s.Values {
		say := func(rule string) { out = append(out, Signal{s.Name, i + 1, rule}) }
		if v > s.High || v < s.Low {
			say(RuleBeyond)
		}
		if !all {
			continue
		}
		now := compare(v, s.Centre)
		if now != 0 && now == side {
			run++
		} else {
			side, run = now, 1
		}
		if side != 0 && run >= runLength {
			say(RuleRun)
		}
		if now != 0 && near(i, now) && (near(i-1, now) || near(i-2, now)) {
			say(RuleTwo)
		}
		if i == 0 {
			continue
		}
		rising, falling = follow(rising, compare(v, s.Values[i-1]) > 0), follow(falling, compare(v, s.Values[i-1]) < 0)
		if max(rising, falling) >= trendLength {
			say(RuleTrend)
		}
	}
	return out
}

func follow(n int, on bool) int {
	if on {
		return n + 1
	}
	return 1
}

func compare(a, b float64) int {
	switch {
	case a > b:
		return 1
	case a < b:
		return -1
	}
	return 0
}

// Says returns the chart as phrases.
func (c Chart) Says() []analysis.Phrase {
	series := func(name string) analysis.Phrase { return analysis.Say("study.series." + name) }
	said := []analysis.Phrase{analysis.Say("study.chart."+c.Kind, len(c.Location.Values))}
	for _, s := range []Series{c.Location, c.Spread} {
		said = append(said, analysis.Say("study.limits", series(s.Name), figures(s.Centre), figures(s.Low), figures(s.High)))
	}
	said = append(said, analysis.Say("study.sigma", c.Sigma.say()))
	for _, s := range c.Signals {
		said = append(said, analysis.Say("study.signal", s.Point, series(s.Series), analysis.Say("study.rule."+s.Rule)))
	}
	if c.Sigma.Value > 0 && len(c.Signals) == 0 && len(c.Notes) == 0 { // a trial chart has notes
		said = append(said, analysis.Say("study.in_control"))
	}
	return append(said, c.Notes...)
}
