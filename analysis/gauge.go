package analysis

import "math"

// Averaging holds sums over the readings of a gauge, for estimating q. q tells how much the
// gauge smooths: a fast pass through square reads larger than a slow pass by q times the
// difference of their mean square speeds. The estimate of q is Slope / Spread. Its standard
// uncertainty is 1/√Spread (weighted least squares with one common slope and a separate
// mean for each reading).
type Averaging struct {
	Spread float64 `json:"motion_spread"` // Σ w (m − m̄)², s⁻⁴
	Slope  float64 `json:"motion_slope"`  // Σ w (m − m̄)(S − S̄), s⁻²; S as a gauge without any correction reads
	// Squares is the sum, over the readings, of the square of the reading's slope divided by
	// its spread. Readings is the number of readings. Together they show whether the readings
	// scatter more than their own uncertainties say.
	Squares  float64 `json:"squares"`
	Readings float64 `json:"readings"`
}

// maxSpread limits how much is remembered. Above it, each new reading makes the older
// readings count less, so that a change of the filter at the gauge shows. At this limit
// the standard uncertainty of q is (10 ms)²/12, which is the q of a mean over 10 ms. That
// makes no more than 0.02 µm.
const maxSpread = 1.44e10

// Add adds the sums of one more reading. It rounds to six significant digits, because the
// sums stand in the journal.
func (a *Averaging) Add(spread, slope float64) {
	if !(spread > 0) || math.IsInf(spread, 0) || math.IsNaN(slope) || math.IsInf(slope, 0) {
		return
	}
	sum := Averaging{a.Spread + spread, a.Slope + slope, a.Squares + slope*slope/spread, a.Readings + 1}
	part := min(1, maxSpread/sum.Spread)
	*a = Averaging{SixDigits(sum.Spread * part), SixDigits(sum.Slope * part), SixDigits(sum.Squares * part), SixDigits(sum.Readings * part)}
}

// SixDigits rounds to six significant digits, so that the recorded value is the same on
// every processor. No speed is known more accurately.
func SixDigits(v float64) float64 {
	if v == 0 {
		return 0
	}
	scale := math.Pow(10, 5-math.Floor(math.Log10(math.Abs(v))))
	return math.Round(v*scale) / scale
}

// Square returns the estimate of q and its standard uncertainty u, in s². ok is false if no
// reading tells anything about q. Readings with a slip among their passes scatter about the
// estimate more than their own uncertainties say. u is then larger by the ratio of Birge:
// χ divided by the square root of its degrees of freedom, if that is above 1.
func (a Averaging) Square() (q, u float64, ok bool) {
	if !(a.Spread > 0) {
		return 0, 0, false
	}
	ratio := 1.0
	if a.Readings > 1.5 {
		ratio = max(1, (a.Squares-a.Slope*a.Slope/a.Spread)/(a.Readings-1))
	}
	return a.Slope / a.Spread, math.Sqrt(ratio / a.Spread), true
}

// RestNoise describes the scatter of the samples of a gauge at rest.
type RestNoise struct {
	SD      Deviation `json:"sd_um"`   // standard deviation of one sample, without the display's rounding
	Samples int       `json:"samples"` // number of samples that SD rests on
}

// Speeds is the result of a test of how the gauge smooths its values. For the test somebody
// rocks the gauge at one place, first slowly, then fast. A size must not depend on the
// speed.
type Speeds struct {
	Slow       int     `json:"slow"`        // number of slow readings
	Fast       int     `json:"fast"`        // number of fast readings
	SlowMotion float64 `json:"slow_motion"` // mean square speed, µm/s²
	FastMotion float64 `json:"fast_motion"`
	// Larger is by how much the fast readings are larger than the slow ones, as captured.
	Larger Deviation `json:"larger_um"`
	// Averages is the time over which the gauge averages, if all of its smoothing is a mean.
	// AveragesU is the standard uncertainty of Averages. Both are 0 if the readings show no
	// averaging.
	Averages  float64 `json:"averages_s,omitempty"`
	AveragesU float64 `json:"averages_u_s,omitempty"`
	// Told says that the readings are enough to decide. Good says that the size does not
	// depend on the speed.
	Told     bool   `json:"told"`
	Good     bool   `json:"good"`
	Sentence Phrase `json:"sentence"`
	// Between holds what the difference between the readings adds to the sums of the gauge,
	// besides the sums of each single reading.
	Between Averaging `json:"between"`
}
