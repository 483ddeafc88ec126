package advise

import (
	"math"

	"fairbore/analysis"
)

// Assumptions about the rates from part to part, where stones, pressure and hand differ (common
// practice; the figures are a guess). The oldest parts are forgotten, because stones change.
const (
	partsSpread    = 0.35 // initial spread
	partsLeast     = 0.20
	partsRemember  = 10
	partsBelief    = 3.0  // number of parts that the first figure is worth
	partsApart     = 0.50 // how far a part's rate may lie from that of the others
	largestLogRate = 12.0
	wellKnown      = 3.0 // in standard uncertainties
	// handChanges and handLeast are spreads of the logarithm of the scatter: how much the scatter
	// changes from one part to the next, and how well it can be known at all. surest limits how sure
	// it can be whether few or many rounds go astray.
	handChanges = 0.05
	handLeast   = 0.12
	jobsDiffer  = 0.25 // spread from job to job
	surest      = 0.02
)

// scatterOf returns the mean and standard deviation of the scatter's logarithm.
func scatterOf(p *analysis.RatePrior) (log, spread float64) {
	if p == nil || !(p.Scatter > 0 && p.Scatter < 10 && p.ScatterSpread > 0) {
		return math.Log(usualScatter), scatterDoubt
	}
	return math.Log(min(max(p.Scatter, scatters[0]), scatters[len(scatters)-1])), min(max(p.ScatterSpread, handLeast), scatterDoubt)
}

// manyStrays returns the probability that many rounds go astray, not few.
func manyStrays(p *analysis.RatePrior) float64 {
	if p == nil || !(p.Strays > 0) {
		return usualMany
	}
	return min(max((p.Strays-straysFew)/(straysMany-straysFew), surest), 1-surest)
}

// Elsewhere returns the part of a prior that is also valid for another job. It keeps how this
// hand's rounds scatter, but not the rate. It returns nil for nil.
func Elsewhere(p *analysis.RatePrior) *analysis.RatePrior {
	if p == nil {
		return nil
	}
	_, spread := scatterOf(p)
	return &analysis.RatePrior{Seconds: p.Seconds, Scatter: p.Scatter, ScatterSpread: math.Hypot(spread, jobsDiffer), Strays: p.Strays}
}

// Learn returns the prior for the next part of the job. It learns from the rounds of a finished
// part; the first of them is the start. It uses the highest rate that a well known round showed. A
// sharp stone cut that round, and the stone may be sharp again in the next part's first round. With
// a lower rate, that round could take off too much. p is nil before the first part. The prior stays
// as it is if there is no round to learn from.
func Learn(p *analysis.RatePrior, job *analysis.Job, rounds []Round, repeat analysis.Deviation) *analysis.RatePrior {
	if job == nil {
		return p
	}
	seconds := timed(rounds, p)
	before := p
	if p != nil && p.Spread > 0 { // this part's rate must come from its own rounds
		q := *p
		q.Spread = partsApart
		before = &q
	}
	f := newRates(job, before, seconds)
	known := false
	for _, g := range gains(rounds, µm(repeat), commonSD(job), seconds) {
		f.observe(&g)
		known = known || g.effort > 0 && g.worked >= wellKnown*g.u
	}
	if !known || math.Abs(f.highest) > largestLogRate {
		return p
	}
	next := withRate(p, f.highest, seconds)
	log, sd := f.scatter()
	next.Strays = f.astray()
	next.Scatter, next.ScatterSpread = math.Exp(log), max(math.Hypot(sd, handChanges), handLeast)
	return next
}

func withRate(p *analysis.RatePrior, log float64, seconds bool) *analysis.RatePrior {
	if p == nil || p.Seconds != seconds || p.Parts <= 0 {
		return &analysis.RatePrior{Log: log, Spread: partsSpread, Seconds: seconds, Parts: 1}
	}
	n := float64(min(p.Parts, partsRemember-1))
	d := log - p.Log
	old := n - 1 + partsBelief
	v := (old*p.Spread*p.Spread + d*d*n/(n+1)) / (old + 1)
	return &analysis.RatePrior{Log: p.Log + d/(n+1), Spread: max(math.Sqrt(v), partsLeast), Seconds: seconds, Parts: min(p.Parts+1, 1e6)}
}
