package advise

import (
	"math"

	"fairbore/analysis"
)

// What is taken for granted of the rates from part to part: stones, pressure and
// the hand differ (common practice; the figures are a guess). The oldest parts are
// forgotten, for stones change.
const (
	partsSpread    = 0.35 // to begin with
	partsLeast     = 0.20
	partsRemember  = 10
	partsBelief    = 3.0  // parts' worth of belief that the first figure is
	partsApart     = 0.50 // how far a part's rate may lie from the others'
	largestLogRate = 12.0
	wellKnown      = 3.0 // standard uncertainties
	// How the scatter of one part's rounds differs from that of the next's, and
	// how well it can be known at all, of its logarithm; how sure it can be
	// whether few or many rounds go astray.
	handChanges = 0.05
	handLeast   = 0.12
	jobsDiffer  = 0.25 // from job to job
	surest      = 0.02
)

// scatterOf is mean and standard deviation of the logarithm of the scatter.
func scatterOf(p *analysis.RatePrior) (log, spread float64) {
	if p == nil || !(p.Scatter > 0 && p.Scatter < 10 && p.ScatterSpread > 0) {
		return math.Log(usualScatter), scatterDoubt
	}
	return math.Log(min(max(p.Scatter, scatters[0]), scatters[len(scatters)-1])), min(max(p.ScatterSpread, handLeast), scatterDoubt)
}

// manyStrays is the probability that many rounds go astray, not few.
func manyStrays(p *analysis.RatePrior) float64 {
	if p == nil || !(p.Strays > 0) {
		return usualMany
	}
	return min(max((p.Strays-straysFew)/(straysMany-straysFew), surest), 1-surest)
}

// Elsewhere returns what of it holds for another job: how rounds scatter by this
// hand, and not the rate; nil of nil.
func Elsewhere(p *analysis.RatePrior) *analysis.RatePrior {
	if p == nil {
		return nil
	}
	_, spread := scatterOf(p)
	return &analysis.RatePrior{Seconds: p.Seconds, Scatter: p.Scatter, ScatterSpread: math.Hypot(spread, jobsDiffer), Strays: p.Strays}
}

// Learn returns the prior for the next part of the job, given the rounds of one
// that is done, the start first. Of the rate counts the highest that a well known
// round led to: it was cut by a keen stone, which is what the next part's first
// round may be. To take it for slower could take off too much. p is nil before the
// first part; where there was no round to learn from it stays as it is.
func Learn(p *analysis.RatePrior, job *analysis.Job, rounds []Round, repeat analysis.Deviation) *analysis.RatePrior {
	if job == nil {
		return p
	}
	seconds := timed(rounds, p)
	before := p
	if p != nil && p.Spread > 0 { // what this part shows is to come from its own rounds
		q := *p
		q.Spread = partsApart
		before = &q
	}
	f := newRates(job, before, seconds)
	known := false
	for _, g := range gains(rounds, µm(repeat), common(job), seconds) {
		f.observe(&g)
		known = known || g.effort > 0 && g.worked >= wellKnown*g.u
	}
	if !known || math.Abs(f.fresh) > largestLogRate {
		return p
	}
	next := withRate(p, f.fresh, seconds)
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
