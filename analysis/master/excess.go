package master

import (
	"math"

	"fairbore/analysis"
)

// excess works out by how much the part is still too large at time t, in seconds. It uses all time
// constants that the data allow, each weighted by how well it fits, and combines the means and
// variances of the sizes that they give. This is the posterior with an even density of ln τ within its
// bounds (JCGM 101:2008, 6.4.9, treats a mean alike).
func (p *profile) excess(t float64) (size, u float64) {
	var sum, first, second float64
	for _, f := range p.fits[:p.grid] {
		w := math.Exp(-(f.rss - p.best.rss) / (2 * p.sigma2))
		fall := math.Exp(-t / f.tau)
		e := f.amp * fall
		sum += w
		first += w * e
		second += w * (e*e + p.sigma2*f.vAmp*fall*fall)
	}
	if sum == 0 {
		return 0, 0
	}
	size = first / sum
	return size, math.Sqrt(max(second/sum-size*size, 0))
}

// cooled returns the excess at the last reading, and how it will fall.
func (p *profile) cooled() *analysis.Excess {
	last := p.t[len(p.t)-1]
	size, u := p.excess(last)
	then, thenU := p.excess(last + p.best.tau)
	if !(size > then && then > 0 && u > thenU && thenU > 0) {
		return nil
	}
	return &analysis.Excess{
		Size: analysis.Deviation(length(size)), U: analysis.Deviation(length(math.Ceil(1e4*u) / 1e4)), // never certain
		Tau: seconds(p.best.tau / math.Log(size/then)), TauU: seconds(p.best.tau / math.Log(u/thenU)),
	}
}

// minExcess is the fewest readings from which the part's temperature is estimated.
const minExcess = 8

// PartExcess returns the fit of repeated sizes of a cooling part whose Excess may be subtracted from
// later sizes of the part. Such a fit must meet more than one that says how long to wait. It needs
// eight readings, and [FitCooling] must find the final size from all of them, from all but the last, and
// from all but the last two, so that no single reading decides. The excess must be larger than what a
// settled part may have left, and larger than twice its own standard uncertainty, because subtracting
// less adds noise. The error says why there is no such fit, and what to do.
func PartExcess(points []WarmReading, rules CoolingRules) (Cooling, error) {
	if len(points) < minExcess {
		return Cooling{}, analysis.Say("master.excess.few", len(points), minExcess)
	}
	all := FitCooling(points, rules)
	switch x := all.Excess; {
	case !all.Usable:
		return Cooling{}, analysis.Say("master.excess.not_yet", all.Sentence)
	case x == nil || x.Size <= rules.Remaining || x.Size <= 2*x.U:
		return Cooling{}, analysis.Say("master.excess.little")
	}
	for less := 1; less <= 2; less++ {
		if c := FitCooling(points[:len(points)-less], rules); c.Excess == nil {
			return Cooling{}, analysis.Say("master.excess.twice_more")
		}
	}
	return all, nil
}
