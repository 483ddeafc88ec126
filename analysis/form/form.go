// Package form names the form errors of a bore (taper, barrel, waist, bell-mouth, out-of-roundness,
// lobing) and computes their sizes from the readings.
//
// [Evaluate] takes the readings of one round of one part. The readings may be in any order, and
// sections or orientations may be missing. For each error it returns the size, the standard
// uncertainty and whether the size may be used. It names an error only if the error is larger than
// the gauge alone may show on a perfect bore. A master's error is the same in every reading, so it
// cancels in a form. The error of a temperature that differs along the part does not cancel, and
// this package does not consider it.
//
// The result also says what the gauge can't see. A two-point gauge sees even lobes only ([Seen]),
// and no set of diameters shows a bent bore. So this package never calls a bore round or
// cylindrical on the evidence of diameters. It judges a full turn of radii ([Turn]) by the
// reference circles of ISO 12181-1.
//
// Depths are in mm from the named face. Sizes are diameters. A taper is positive when the bore
// opens with depth.
package form

import (
	"math"

	"fairbore/analysis"
)

// Coverage is the factor k of the threshold T = max(k·u, display step) for a difference along the
// bore. A difference below T is attributed to the gauge. On a perfect bore, one difference in
// twenty exceeds T (normal, two-sided 95 %; common practice).
const Coverage = 2.0

// RoundCoverage is the factor for errors about the axis, which are never negative. The threshold is
// three times the repeatability for the range of two or three orientations (common practice). The
// amplitude of an oval fitted to noise exceeds its threshold once in ninety (Rayleigh: exp(-9/2)).
const RoundCoverage = 3.0

// Options describe the gauge and the bore.
type Options struct {
	// Repeatability is the standard deviation of one captured value. If it is 0, the root mean
	// square of the readings' own U is used. If the readings have no U, errors get a size but no
	// name.
	Repeatability analysis.Deviation
	// Step is the display step of the gauge; nothing smaller is named.
	Step analysis.Deviation
	// Face is the face from which depths are measured, "front" if empty. Far is the name of the other end.
	// If empty, it is the opposite of Face where there is one, otherwise "far end".
	Face, Far string
	// Length is the length of the bore, 0 if not known.
	Length analysis.Length
	// Gauge says how the readings were taken.
	Gauge GaugeKind
}

// Amount is the size of one error.
type Amount struct {
	Value     analysis.Deviation `json:"value_um"`
	U         analysis.Deviation `json:"u_um"`         // standard uncertainty, from repeatability; 0: not known
	Threshold analysis.Deviation `json:"threshold_um"` // the gauge alone may show a smaller value
	N         int                `json:"n"`            // number of sections or orientations used
	Usable    bool               `json:"usable"`
	// Significant says that the amount is usable and larger than Threshold.
	Significant bool            `json:"significant"`
	Why         analysis.Phrase `json:"why,omitzero"` // why it is not usable, and what to do
}

// Local is a local size and where it was read.
type Local struct {
	analysis.Place
	Size analysis.Length `json:"size_mm"`
}

// Section is what was read at one depth.
type Section struct {
	Depth analysis.Length `json:"depth_mm"`
	// Mean is the mean over the places of the section, each with the median of its readings. Min and Max
	// are over all readings.
	Mean analysis.Length    `json:"mean_mm"`
	Min  analysis.Length    `json:"min_mm"`
	Max  analysis.Length    `json:"max_mm"`
	U    analysis.Deviation `json:"u_um"` // of the mean, from repeatability alone
	N    int                `json:"n"`    // readings
	// OutOfRound is the difference of the largest and the smallest of the places' sizes, as this gauge
	// sees them.
	OutOfRound Amount `json:"out_of_round"`
	Oval       Oval   `json:"oval"`
}

// Oval is the two-lobe part of a section, d = m + A cos 2(a - a0), fitted by least squares. The
// amount is 2A, the largest less the smallest diameter.
type Oval struct {
	Amount
	// AtLeast says that there are only two orientations, so the oval may be larger than the amount.
	AtLeast bool           `json:"at_least,omitempty"`
	Widest  analysis.Angle `json:"widest_deg"` // of the largest diameter, 0 up to below 180°; 0 if AtLeast
}

// Taper is the slope of the least-squares line through the section means.
type Taper struct {
	Amount                    // over the gauged length, + opens with depth
	Over   analysis.Length    `json:"over_mm"` // from the first section gauged to the last
	Per100 analysis.Deviation `json:"per_100mm_um"`
	// PerInch is µm per inch; see [Taper.TenthsPerInch].
	PerInch analysis.Deviation `json:"per_inch_um"`
	// Whole is the taper extended to the length of the bore, 0 if that length isn't known.
	Whole    analysis.Deviation `json:"whole_um"`
	EndToEnd analysis.Deviation `json:"end_to_end_um"`   // last section mean less the first
	Tight    string             `json:"tight,omitempty"` // the end that is tight, if significant
}

// TenthsPerInch returns the taper in tenths (0.0001 in) on the diameter per inch of bore. Source:
// geometry.
func (t Taper) TenthsPerInch() float64 {
	return float64(t.PerInch) / float64(analysis.Thou) * 10
}

// Straightness is the deviation of the profile of diameters from a straight line. The wall itself
// deviates by half of that on each side. Straightness does not show a bent bore.
type Straightness struct {
	// Amount is the minimum zone: the least distance, measured along the diameter, between two
	// parallel lines that have all section means between them.
	Amount
	// LeastSquares is the range of the deviations from the least-squares line.
	LeastSquares analysis.Deviation `json:"least_squares_um"`
}

// ErrorKind is the kind of a form error, by the name of that kind in the trade.
type ErrorKind string

// The kinds. OpenEnds is either a waist or a bell-mouth at both ends, where the gauged depths can't
// tell which. TightEnd is an end that is smaller than the line through the other sections gives.
// Uneven is a profile that is not straight and is none of the other kinds.
const (
	KindTaper      ErrorKind = "taper"
	KindBarrel     ErrorKind = "barrel"
	KindWaist      ErrorKind = "waist"
	KindOpenEnds   ErrorKind = "open_ends"
	KindBellMouth  ErrorKind = "bell_mouth"
	KindTightEnd   ErrorKind = "tight_end"
	KindUneven     ErrorKind = "uneven"
	KindOval       ErrorKind = "oval"
	KindOutOfRound ErrorKind = "out_of_round"
)

// NamedError is an error that the readings show.
type NamedError struct {
	Kind ErrorKind `json:"kind"`
	// Where is the end that has the error: the tight end of a taper, or the end with the
	// bell-mouth. It is empty for an error in the middle and for errors about the axis.
	Where string          `json:"where,omitempty"`
	Depth analysis.Length `json:"depth_mm"` // of that end's section, or of the section that is oval
	// Size is the size of the error, never negative. U is its standard uncertainty.
	Size    analysis.Deviation `json:"size_um"`
	U       analysis.Deviation `json:"u_um"`
	Over    analysis.Length    `json:"over_mm"` // of a taper, the length that it was found over
	AtLeast bool               `json:"at_least,omitempty"`
}

// Result is the form of a bore.
type Result struct {
	Readings int       `json:"readings"`
	Sections []Section `json:"sections"` // by depth
	// Smallest and Largest are over all readings, nil if there are none.
	Smallest *Local `json:"smallest,omitempty"`
	Largest  *Local `json:"largest,omitempty"`
	// Variation is the size variation along the bore as this gauge sees it. It is exactly Largest
	// less Smallest.
	Variation analysis.Deviation `json:"variation_um"`
	Mean      analysis.Length    `json:"mean_mm"` // of the section means; for a trend, never to accept by
	Gauge     GaugeKind          `json:"gauge"`

	Repeatability analysis.Deviation `json:"repeatability_um"` // as used; 0 if not known
	Face          string             `json:"face"`
	Far           string             `json:"far"`
	// Unbalanced says that the sections were not all gauged at the same angles. An oval can then
	// look like a taper. The uncertainties allow for that.
	Unbalanced bool `json:"unbalanced,omitempty"`

	Taper Taper `json:"taper"`
	// Barrel is the size of the parabola that is orthogonal to a line at the gauged depths. The
	// size is the parabola's middle less the mean of its ends. It is positive for a bore that is
	// large in the middle, and negative for a waist.
	Barrel Amount `json:"barrel"`
	// FrontFlare and BackFlare are the mean of the end section less the line through the next two
	// sections. A positive value is a bell-mouth, a negative value is a tight end. Both need four
	// sections.
	FrontFlare   Amount       `json:"front_flare"`
	BackFlare    Amount       `json:"back_flare"`
	Straightness Straightness `json:"straightness"`
	// Oval and OutOfRound are the largest oval and the largest out-of-roundness of any section.
	Oval       Oval   `json:"oval"`
	OutOfRound Amount `json:"out_of_round"`

	// Named holds the errors that are large enough to name. Errors along the bore come before
	// errors about the axis. If Named is empty, the bore is "straight (within the gauge)" only as
	// far as Taper and Barrel are usable.
	Named []NamedError `json:"named"`
	// Mixed says that there is more than one kind of error along the bore.
	Mixed bool `json:"mixed,omitempty"`
}

// Evaluate names the form errors of a bore and computes their sizes, from the readings of one round
// of one part. It does not change the readings. The order of the readings does not matter.
func Evaluate(readings []analysis.Reading, opt Options) Result {
	opt = opt.filled(readings)
	r := Result{
		Readings: len(readings), Gauge: opt.Gauge,
		Repeatability: opt.Repeatability, Face: opt.Face, Far: opt.Far,
		Sections: []Section{}, Named: []NamedError{},
	}
	p := newProfile(readings, opt)
	r.extremes(p)
	r.across(p)
	r.along(p)
	return r
}

// filled returns the options with a value for each option that was left out.
func (o Options) filled(readings []analysis.Reading) Options {
	if o.Face == "" {
		o.Face = "front"
	}
	if o.Far == "" {
		o.Far = opposite(o.Face)
	}
	o.Repeatability, o.Step = max(o.Repeatability, 0), max(o.Step, 0)
	if o.Repeatability == 0 {
		o.Repeatability = pooled(readings)
	}
	return o
}

func opposite(face string) string {
	for _, ends := range [...][2]string{{"front", "back"}, {"top", "bottom"}, {"left", "right"}} {
		switch face {
		case ends[0]:
			return ends[1]
		case ends[1]:
			return ends[0]
		}
	}
	return "far end"
}

// pooled returns the root mean square of the readings' own uncertainties. It ignores readings that
// have none.
func pooled(readings []analysis.Reading) analysis.Deviation {
	sum, n := 0.0, 0
	for i := range readings {
		if u := analysis.Length(readings[i].U).Micrometres(); u > 0 {
			sum, n = sum+u*u, n+1
		}
	}
	if n == 0 {
		return 0
	}
	v, _ := analysis.FromMicrometres(math.Sqrt(sum / float64(n)))
	return analysis.Deviation(v)
}

// amount returns an Amount with the value v, the standard uncertainty u and the threshold t, all in
// µm. The threshold follows from the uncertainty. n is the number of sections or orientations used.
func (o Options) amount(v, u, t float64, n int) Amount {
	value, err := analysis.FromMicrometres(v)
	if err != nil {
		return unusable(analysis.Say("form.why.sizes_apart"), n)
	}
	su, err := analysis.FromMicrometres(u)
	if err != nil {
		return unusable(analysis.Say("form.why.places_close"), n)
	}
	limit, err := analysis.FromMicrometres(t)
	if err != nil {
		return unusable(analysis.Say("form.why.places_close"), n)
	}
	limit = max(limit, analysis.Length(o.Step))
	return Amount{
		Value: analysis.Deviation(value), U: analysis.Deviation(su), Threshold: analysis.Deviation(limit), N: n,
		Usable: true, Significant: limit > 0 && value.Abs() > limit,
	}
}

func unusable(why analysis.Phrase, n int) Amount { return Amount{N: n, Why: why} }
