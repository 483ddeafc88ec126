package analysis

// RatePrior is what the shop knows from earlier parts of the job.
type RatePrior struct {
	// Log is the mean of the natural logarithm of the rate in µm on the diameter
	// a stroke, or a second with Seconds; Spread its standard deviation, 0 where the
	// rate isn't known.
	Log     float64 `json:"log_rate"`
	Spread  float64 `json:"spread"`
	Seconds bool    `json:"seconds,omitempty"`
	Parts   int     `json:"parts"` // that the rate rests on
	// Scatter is the median of the relative standard deviation by which a round
	// here differs from what its strokes should have taken off; ScatterSpread the
	// standard deviation of its logarithm. 0: not known.
	Scatter       float64 `json:"scatter,omitempty"`
	ScatterSpread float64 `json:"scatter_spread,omitempty"`
	// Strays is the part of the rounds that are three times as far off.
	Strays float64 `json:"strays,omitempty"`
}
