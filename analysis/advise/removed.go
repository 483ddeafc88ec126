package advise

import (
	"math"

	"fairbore/analysis"
)

// Removal is what a round of honing probably took off.
type Removal struct {
	Mean analysis.Deviation // on the diameter, where the stone worked fully
	U    analysis.Deviation // standard deviation of Mean
	// Apart is the relative standard deviation of the removal from place to place.
	Apart float64
}

// learnRounds is the largest number of rounds from which a removal is predicted. Older rounds have
// hardly any weight.
const learnRounds = 12

// Removed estimates what the honing of the round now took off, from the strokes or seconds that the
// round notes. It uses the part's earlier rounds and the experience from earlier parts (prior, may
// be nil). The estimate is the mean of the forecast that is also used for advice, at the middle of
// the round. ok is false if neither strokes nor seconds are noted.
func Removed(job *analysis.Job, before []Round, now Round, prior *analysis.RatePrior, repeat analysis.Deviation) (r Removal, ok bool) {
	before = before[max(0, len(before)-learnRounds):]
	seconds := now.Strokes <= 0
	n := effort(&now, seconds)
	if job == nil || n <= 0 {
		return r, false
	}
	f := newRates(job, prior, seconds)
	for _, g := range gains(before, µm(repeat), commonSD(job), seconds) {
		f.observe(&g)
	}
	if now.Dressed {
		f.dress()
	}
	f.predict(f.half + n/2)
	h := state{level: 1}
	if now.Light {
		h[light] = 1
	}
	h[dwell] = min(max(float64(now.Short), 0)/n, 1)
	all, mean, square := f.round(h), 0.0, 0.0
	for _, c := range all.parts { // moments of log-normal distributions
		mean += c.weight * math.Exp(c.log+c.sd*c.sd/2)
		square += c.weight * math.Exp(2*c.log+2*c.sd*c.sd)
	}
	u := math.Sqrt(max(square-mean*mean, 0))
	if now.Ends {
		n *= 1 - h[dwell]*(1-endsShare)
	}
	r.Apart = math.Hypot(math.Hypot(partSpread, partScatter), h[dwell]*(1-restShare))
	r.Mean, r.U = deviation(n*mean), deviation(n*u)
	return r, r.Mean > 0
}
