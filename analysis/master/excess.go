package master

import (
	"errors"
	"fmt"
	"math"
	"time"

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
		return Cooling{}, fmt.Errorf("%d of %d readings in a row at one place, by which it can be told how warm the part is; gauge on there", len(points), leastExcess)
	}
	all := Settle(points, rules)
	switch x := all.Excess; {
	case !all.Usable:
		return Cooling{}, fmt.Errorf("the cooling can't be told yet. %s", all.Sentence)
	case x == nil || x.Size <= rules.Remaining || x.Size <= 2*x.U:
		return Cooling{}, errors.New("what is still to come is too little to be worth taking off; judge the part as it is")
	}
	for less := 1; less <= 2; less++ {
		if c := Settle(points[:len(points)-less], rules); c.Excess == nil {
			return Cooling{}, errors.New("the cooling can only just be told: gauge twice more at this place")
		}
	}
	return all, nil
}

// Still says what of it is taken off now, and how warm that is.
func Still(x analysis.Excess, after time.Duration, warmer analysis.Temperature) string {
	size, u := x.Later(after)
	s := fmt.Sprintf("Warm by its cooling: %s ± %s is taken off, less as it cools", show(size), show(2*u))
	if warmer > 0 && x.Size > 0 {
		s += fmt.Sprintf("; it is %.1f K above its surroundings", warmer.Degrees()*float64(size)/float64(x.Size))
	}
	return s + "."
}
