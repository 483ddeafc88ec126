package analysis

import "math"

// Averaging sums over the readings of a gauge what their passes through square tell of
// q: a fast pass reads larger than a slow one by q times the difference of their mean
// square speeds. The estimate is Slope / Spread, its standard uncertainty 1/√Spread
// (weighted least squares of one slope, a mean to each reading).
type Averaging struct {
	Spread float64 `json:"motion_spread"` // Σ w (m − m̄)², s⁻⁴
	Slope  float64 `json:"motion_slope"`  // Σ w (m − m̄)(S − S̄), s⁻²; S as a gauge without any correction reads
	// Squares is Σ over readings of the square of a reading's slope over its spread, and
	// Readings their number: by them the readings scatter as they claim to, or more.
	Squares  float64 `json:"squares"`
	Readings float64 `json:"readings"`
}

// maxSpread bounds what is remembered: beyond it the old is forgotten as new comes, so
// that a filter that somebody has changed at the gauge shows. q is then known to that of
// a mean over 10 ms, (10 ms)²/12, which makes no more than 0.02 µm.
const maxSpread = 1.44e10

// Add takes the sums of one more reading in, to six significant digits: they stand in the
// journal.
func (a *Averaging) Add(spread, slope float64) {
	if !(spread > 0) || math.IsInf(spread, 0) || math.IsNaN(slope) || math.IsInf(slope, 0) {
		return
	}
	sum := Averaging{a.Spread + spread, a.Slope + slope, a.Squares + slope*slope/spread, a.Readings + 1}
	part := min(1, maxSpread/sum.Spread)
	*a = Averaging{SixDigits(sum.Spread * part), SixDigits(sum.Slope * part), SixDigits(sum.Squares * part), SixDigits(sum.Readings * part)}
}

// SixDigits rounds to six significant digits, more than which no speed is known to; what is
// recorded is then the same on every processor.
func SixDigits(v float64) float64 {
	if v == 0 {
		return 0
	}
	scale := math.Pow(10, 5-math.Floor(math.Log10(math.Abs(v))))
	return math.Round(v*scale) / scale
}

// Square returns the estimate of q and its standard uncertainty, in s²; ok is false
// without any reading to go by. Where the readings scatter about it by more than they claim,
// as those with a slip among their passes do, the uncertainty is larger by that (the ratio
// of Birge: χ over the root of its degrees of freedom, if above 1).
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

// RestNoise is how the samples of a gauge scatter while it rests.
type RestNoise struct {
	SD      Deviation `json:"sd_um"`   // standard deviation of one sample, without what the display rounds
	Samples int       `json:"samples"` // that it rests on
}

// Speeds is what a place that was rocked at slowly, then fast, tells of how the gauge
// smooths its values: a size must not depend on the speed.
type Speeds struct {
	Slow       int     `json:"slow"` // readings
	Fast       int     `json:"fast"`
	SlowMotion float64 `json:"slow_motion"` // mean square speed, µm/s²
	FastMotion float64 `json:"fast_motion"`
	// Larger is by how much the fast ones are larger than the slow ones, as captured.
	Larger Deviation `json:"larger_um"`
	// Averages is the time over which the gauge averages, with its standard uncertainty,
	// if all of its smoothing is a mean; 0 and 0 where the readings show none.
	Averages  float64 `json:"averages_s,omitempty"`
	AveragesU float64 `json:"averages_u_s,omitempty"`
	// Told says that the readings decide it; Good that the size does not depend on the speed.
	Told     bool   `json:"told"`
	Good     bool   `json:"good"`
	Sentence Phrase `json:"sentence"`
	// Between is what the two speeds add to the sums of the gauge, beyond what each
	// reading holds.
	Between Averaging `json:"between"`
}
