package advise

import (
	"math"

	"fairbore/analysis"
)

// Prior is what the shop knows of the rate from earlier parts of the job.
type Prior struct {
	// Log is the mean of the natural logarithm of the rate in µm on the diameter
	// a stroke, or a second with Seconds; Spread its standard deviation.
	Log     float64 `json:"log_rate"`
	Spread  float64 `json:"spread"`
	Seconds bool    `json:"seconds,omitempty"`
	Parts   int     `json:"parts"` // that it rests on
}

// What is taken for granted of the rates from part to part: stones, pressure and
// the hand differ (common practice; the figures are a guess). The oldest parts are
// forgotten, for stones change.
const (
	partsSpread    = 0.35 // to begin with
	partsLeast     = 0.25
	partsRemember  = 10
	partsBelief    = 3.0 // parts' worth of belief that the first figure is
	largestLogRate = 12.0
	wellKnown      = 10.0 // standard uncertainties
)

// After returns the prior for the next part of the job, given the rounds of one
// that is done, the start first. What counts is the fastest round whose effort was
// noted and whose removal is well known: it was cut by full strokes of a keen stone,
// which is what the next part's first round may be. To take it for slower could
// take off too much. p is nil before the first part; where there was no such round
// it stays as it is.
// Source: common practice.
func (p *Prior) After(rounds []Round, repeat analysis.Deviation) *Prior {
	seconds := timed(rounds, p)
	log := math.Inf(-1)
	for _, g := range gains(rounds, µm(repeat), 0, seconds) {
		if g.effort > 0 && g.worked > 0 && g.worked >= wellKnown*g.u {
			log = max(log, math.Log(g.worked/g.effort))
		}
	}
	if math.Abs(log) > largestLogRate {
		return p
	}
	return p.with(log, seconds)
}

func (p *Prior) with(log float64, seconds bool) *Prior {
	if p == nil || p.Seconds != seconds || p.Parts <= 0 {
		return &Prior{Log: log, Spread: partsSpread, Seconds: seconds, Parts: 1}
	}
	n := float64(min(p.Parts, partsRemember-1))
	d := log - p.Log
	old := n - 1 + partsBelief
	v := (old*p.Spread*p.Spread + d*d*n/(n+1)) / (old + 1)
	return &Prior{Log: p.Log + d/(n+1), Spread: max(math.Sqrt(v), partsLeast), Seconds: seconds, Parts: min(p.Parts+1, 1e6)}
}
