package study

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"fairbore/analysis"
)

// Spec holds the limits that the sizes must keep, in µm.
type Spec struct {
	Low    float64  `json:"low_um"`
	High   float64  `json:"high_um"`
	NoLow  bool     `json:"no_low,omitempty"`  // there is no low limit: a form error
	NoHigh bool     `json:"no_high,omitempty"` // there is no high limit
	Target *float64 `json:"target_um,omitempty"`
	// Unattended says that the sizes come from a process left alone. Sizes of
	// bores honed by hand don't: each is gauged and honed until it is in size.
	Unattended bool `json:"unattended,omitempty"`
}

func (s Spec) check() error {
	bad := func(v float64) bool { return math.IsNaN(v) || math.Abs(v) > largest }
	switch {
	case s.NoLow && s.NoHigh:
		return errors.New("limits: give at least one")
	case bad(s.Low) || bad(s.High) || s.Target != nil && bad(*s.Target):
		return errors.New("limits: give finite values in µm")
	case !s.NoLow && !s.NoHigh && s.High <= s.Low:
		return errors.New("limits: the high limit must be above the low limit")
	}
	return nil
}

// target returns the size to aim at. It is the given target, or else the middle between
// the two limits. The second result is false if there is neither.
func (s Spec) target() (float64, bool) {
	if s.Target != nil {
		return *s.Target, true
	}
	return s.Low + (s.High-s.Low)/2, !s.NoLow && !s.NoHigh
}

// CapabilityResult tells how a lot of sizes lies within its limits. The standard deviation
// is taken over all sizes together. The indices are therefore indices of performance
// (Pp, Ppk), unless the process is in control.
type CapabilityResult struct {
	N          int               `json:"n"`
	Confidence float64           `json:"confidence"`
	Mean       Stat              `json:"mean"`
	SD         Stat              `json:"sd"`
	Cp         Stat              `json:"cp"`
	CpLow      Stat              `json:"cp_low"` // confidence limits, by chi-square
	CpHigh     Stat              `json:"cp_high"`
	Cpl        Stat              `json:"cpl"` // to the low limit
	Cpu        Stat              `json:"cpu"` // to the high limit
	Cpk        Stat              `json:"cpk"`
	CpkLow     Stat              `json:"cpk_low"` // confidence limits, by Bissell (Appl. Stat. 39 (1990) 331)
	CpkHigh    Stat              `json:"cpk_high"`
	CpkAtLeast Stat              `json:"cpk_at_least"` // one-sided
	Cpm        Stat              `json:"cpm"`          // about the target
	Cpmk       Stat              `json:"cpmk"`
	K          Stat              `json:"k"`         // offset from the middle per half tolerance
	Below      Stat              `json:"ppm_below"` // parts per million, if normal
	Above      Stat              `json:"ppm_above"`
	Notes      []analysis.Phrase `json:"notes,omitempty"`
}

// minCapable is the smallest lot for which an index is shown (common practice).
const minCapable = 25

// Capability computes the indices of the sizes x in µm, with confidence limits at a
// confidence such as 0.95. It fails where [Describe] fails, and for impossible limits.
func Capability(x []float64, spec Spec, confidence float64) (CapabilityResult, error) {
	s, err := Describe(x)
	if err != nil {
		return CapabilityResult{}, err
	}
	c, err := CapabilityOf(s.N, s.Mean.Value, s.SD.Value, spec, confidence)
	if err != nil {
		return c, err
	}
	if normal, err := Normality(x); err == nil && normal.P.OK && normal.P.Value < significant {
		c.Notes = append(c.Notes, analysis.Say("study.note.not_normal"))
	}
	return c, nil
}

// CapabilityOf computes the indices from the number, mean and standard
// deviation of sizes in µm (definitions: NIST/SEMATECH e-Handbook 6.1.6).
func CapabilityOf(n int, mean, sd float64, spec Spec, confidence float64) (CapabilityResult, error) {
	if err := spec.check(); err != nil {
		return CapabilityResult{}, err
	}
	switch {
	case n < 1 || math.IsNaN(mean+sd) || math.Abs(mean) > largest || sd < 0 || sd > largest:
		return CapabilityResult{}, errors.New("capability: give readings, their mean and standard deviation")
	case !(confidence > 0 && confidence < 1):
		return CapabilityResult{}, errors.New("confidence: give a share between 0 and 1, such as 0.95")
	}
	c := CapabilityResult{N: n, Confidence: confidence, Mean: stat(mean, n)}
	c.SD = stat(sd, n)
	var why analysis.Phrase
	switch {
	case n < 2:
		why = analysis.Say("study.why.one_reading")
		c.SD = none(n, why)
	case sd == 0:
		why = analysis.Say("study.why.sizes_same")
	}
	c.indices(spec, why)
	c.limits()
	c.rates(spec, why)
	if n < minCapable {
		few := analysis.Say("study.why.few_for_index", n, minCapable)
		for _, s := range []*Stat{&c.Cp, &c.CpLow, &c.CpHigh, &c.Cpl, &c.Cpu, &c.Cpk, &c.CpkLow, &c.CpkHigh, &c.CpkAtLeast, &c.Cpm, &c.Cpmk, &c.K, &c.Below, &c.Above} {
			*s = s.unless(few)
		}
		c.Notes = append(c.Notes, analysis.Say("study.note.few_for_index", n, minCapable))
	}
	if !spec.Unattended {
		c.Notes = append(c.Notes, analysis.Say("study.note.honed"))
	}
	return c, nil
}

// indices fills the fields from Cp to K. A fault is the reason why none of them can be
// computed.
func (c *CapabilityResult) indices(spec Spec, fault analysis.Phrase) {
	index := func(missing bool, value func() float64) Stat {
		switch {
		case !fault.IsZero():
			return none(c.N, fault)
		case missing:
			return none(c.N, analysis.Say("study.why.no_limit_or_target"))
		}
		return stat(value(), c.N)
	}
	m, sd := c.Mean.Value, c.SD.Value
	one := spec.NoLow || spec.NoHigh
	target, aimed := spec.target()
	about := math.Hypot(sd, m-target) // spread about the target
	worst := func(spread float64) float64 { return worstMargin(spec, m) / (3 * spread) }
	c.Cp = index(one, func() float64 { return (spec.High - spec.Low) / (6 * sd) })
	c.Cpl = index(spec.NoLow, func() float64 { return (m - spec.Low) / (3 * sd) })
	c.Cpu = index(spec.NoHigh, func() float64 { return (spec.High - m) / (3 * sd) })
	c.Cpk = index(false, func() float64 { return worst(sd) })
	c.Cpm = index(one || !aimed, func() float64 { return (spec.High - spec.Low) / (6 * about) })
	c.Cpmk = index(one || !aimed, func() float64 { return worst(about) })
	c.K = index(one, func() float64 {
		half := (spec.High - spec.Low) / 2
		return math.Abs(spec.Low+half-m) / half
	})
}

// worstMargin returns the distance from the mean to the nearer limit, or to the only one.
func worstMargin(spec Spec, m float64) float64 {
	switch {
	case spec.NoLow:
		return spec.High - m
	case spec.NoHigh:
		return m - spec.Low
	}
	return min(spec.High-m, m-spec.Low)
}

// limits fills the confidence limits.
func (c *CapabilityResult) limits() {
	tail, df := (1-c.Confidence)/2, float64(c.N-1)
	c.CpLow, c.CpHigh = c.Cp, c.Cp
	if c.Cp.OK {
		chi := distuv.ChiSquared{K: df}
		c.CpLow = stat(c.Cp.Value*math.Sqrt(chi.Quantile(tail)/df), c.N)
		c.CpHigh = stat(c.Cp.Value*math.Sqrt(chi.Quantile(1-tail)/df), c.N)
	}
	c.CpkLow, c.CpkHigh, c.CpkAtLeast = c.Cpk, c.Cpk, c.Cpk
	if k := c.Cpk.Value; c.Cpk.OK {
		se := math.Sqrt(1/(9*float64(c.N)) + k*k/(2*df))
		z := quantile(1 - tail)
		c.CpkLow, c.CpkHigh = stat(k-z*se, c.N), stat(k+z*se, c.N)
		c.CpkAtLeast = stat(k-quantile(c.Confidence)*se, c.N)
	}
}

// rates fills the parts per million outside each limit. They hold if the sizes are normal.
func (c *CapabilityResult) rates(spec Spec, fault analysis.Phrase) {
	tail := func(missing bool, z float64) Stat {
		switch {
		case !fault.IsZero():
			return none(c.N, fault)
		case missing:
			return none(c.N, analysis.Say("study.why.no_limit"))
		}
		return stat(1e6*normal(z), c.N)
	}
	c.Below = tail(spec.NoLow, (spec.Low-c.Mean.Value)/c.SD.Value)
	c.Above = tail(spec.NoHigh, (c.Mean.Value-spec.High)/c.SD.Value)
}

// Says returns the capability as phrases. Too small a lot gets no index.
func (c CapabilityResult) Says() []analysis.Phrase { return slices.Concat(c.Figures(), c.Notes) }

// Figures returns the figures of the capability as phrases, without the notes.
func (c CapabilityResult) Figures() []analysis.Phrase {
	said := []analysis.Phrase{analysis.Say("study.capable", c.N, figures(c.Mean.Value), c.SD.say())}
	switch {
	case c.Cpk.OK:
		said = append(said, analysis.Say("study.cpk", two(c.Cpk), analysis.Number{Value: 100 * c.Confidence}, two(c.CpkLow), two(c.CpkHigh)))
	case c.N >= minCapable:
		return append(said, analysis.Say("study.no_cpk", c.Cpk.Why))
	default:
		return said
	}
	if c.Cp.OK {
		said = append(said, analysis.Say("study.cp", two(c.Cp), two(c.CpLow), two(c.CpHigh)))
	}
	if c.Cpm.OK {
		said = append(said, analysis.Say("study.cpm", two(c.Cpm)))
	}
	if c.Below.OK {
		said = append(said, analysis.Say("study.below", figures(c.Below.Value)))
	}
	if c.Above.OK {
		said = append(said, analysis.Say("study.above", figures(c.Above.Value)))
	}
	return said
}

func two(s Stat) analysis.Number { return analysis.Number{Value: s.Value, Places: 2} }
