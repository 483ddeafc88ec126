package analysis

// RatePrior is what the shop knows about the rate of removal from earlier parts of the job.
type RatePrior struct {
	// Log is the mean of the natural logarithm of the rate. The rate is in µm on the diameter
	// for each stroke, or for each second if Seconds is set. Spread is the standard deviation
	// of that logarithm. It is 0 if the rate isn't known.
	Log     float64 `json:"log_rate"`
	Spread  float64 `json:"spread"`
	Seconds bool    `json:"seconds,omitempty"`
	Parts   int     `json:"parts"` // number of parts that the rate rests on
	// Scatter is the relative standard deviation by which a round differs from what its
	// strokes should have taken off. It is a median. ScatterSpread is the standard deviation
	// of the logarithm of Scatter. 0 means not known.
	Scatter       float64 `json:"scatter,omitempty"`
	ScatterSpread float64 `json:"scatter_spread,omitempty"`
	// Strays is the share of the rounds that scatter three times as much.
	Strays float64 `json:"strays,omitempty"`
}
