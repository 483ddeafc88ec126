package master

import (
	"math"

	"fairbore/analysis"
)

// excess works out what the part is still larger by at time t, in seconds, from all time
// constants that the data allow, each as likely as it fits: the mean and the variance of
// the sizes that they lead to, their own variances included (the posterior with an even
// density of ln τ within its bounds; JCGM 101:2008, 6.4.9, has the like for a mean).
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

// cooled is the excess at the last reading, and how it goes on.
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

// leastExcess is the least number of readings that the part's temperature is taken from.
const leastExcess = 8

// PartExcess returns the fit of repeated sizes of a cooling part whose Excess may be taken
// off what the part is gauged at from then on. It is asked more of than one to wait by:
// eight readings, from which, and from all but the last, and all but the last two,
// [Settle] tells the final size, so that it is no accident of one of them; and an excess
// above what a settled part may have left and above twice its own standard uncertainty,
// since to take off less adds noise. The error says why there is none, and what to do.
func PartExcess(points []Warm, rules CoolingRules) (Cooling, error) {
	if len(points) < leastExcess {
		return Cooling{}, analysis.Say("master.excess.few", len(points), leastExcess)
	}
	all := Settle(points, rules)
	switch x := all.Excess; {
	case !all.Usable:
		return Cooling{}, analysis.Say("master.excess.not_yet", all.Sentence)
	case x == nil || x.Size <= rules.Remaining || x.Size <= 2*x.U:
		return Cooling{}, analysis.Say("master.excess.little")
	}
	for less := 1; less <= 2; less++ {
		if c := Settle(points[:len(points)-less], rules); c.Excess == nil {
			return Cooling{}, analysis.Say("master.excess.twice_more")
		}
	}
	return all, nil
}
