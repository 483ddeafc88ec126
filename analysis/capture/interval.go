package capture

import "math"

// A display rounds: a value v of step q says no more than that the size shown lay
// between v-q/2 and v+q/2. Where the step is coarser than the noise, samples near
// the edge of a step tell much and those amid it next to nothing, while least
// squares counts all alike, as if rounding were noise of q/√12. So with such a
// display the fit is carried on from there by the likelihood of the intervals,
//
//	P = Φ((v+q/2-m)/σ) - Φ((v-q/2-m)/σ), σ² = s² + q·e
//
// (definition), by Newton's method: the slope of log P by the model's m, and its
// curvature, which is never positive, stand in for the residual and the weight.

// Of the samples, a part wild may show anything within breadth standard
// deviations, so that a stray one does not pull.
const (
	wildPart = 0.01
	breadth  = 50
)

// least is the part of the weight of least squares that a sample amid a step has at
// least: with none, the first steps of Newton's method go astray (from simulation).
const least = 0.5

// intervals reports whether the display is so coarse that the intervals tell more.
func (k *rock) intervals() bool { return k.display >= k.own }

// refine makes the size and its variance better by the likelihood of the intervals.
// What else the least squares found stays, residuals and weights too: by them the rock is judged.
func (k *rock) refine() bool {
	if !k.intervals() {
		return true
	}
	squares := k.p
	if !k.climb() || !k.finish() || !k.profile() {
		return false
	}
	k.p = squares
	k.evaluate(true)
	return true
}

// profile takes the size and its variance for the mean and variance of what the
// profile of the likelihood says about it: amid a step that is a box rather than a
// bell, and its highest point says little. All else is made best at each size tried.
func (k *rock) profile() bool {
	best, at := k.p, k.p[pSize]
	h := math.Sqrt(k.cov) / perDeviation
	lowest := k.edges(false)
	var weight [2*sizes + 1]float64
	weight[sizes] = 1
	k.se[pSize] = h / 1000 // held there
	for _, side := range [2]int{-1, 1} {
		k.p = best
		for i := 1; i <= sizes; i++ {
			k.p[pSize] += float64(side) * h
			k.prior[pSize] = k.p[pSize]
			w := math.Exp((lowest - k.settle(2)) / 2)
			weight[sizes+side*i] = w
			if w < negligible {
				break
			}
		}
	}
	k.se[pSize], k.p = 0, best
	var sum, first, second float64
	for i, w := range weight {
		d := float64(i-sizes) * h
		sum, first, second = sum+w, first+w*d, second+w*d*d
	}
	first /= sum
	k.size = at + first
	k.cov = second/sum - first*first + sq(h)/12
	return true
}

// settle makes at most so many steps towards a higher likelihood and returns the cost.
func (k *rock) settle(steps int) float64 {
	cost := k.edges(false)
	for range steps {
		next, ok := k.step(1e-3)
		if !ok {
			break
		}
		was := k.p
		k.p = next
		if now := k.edges(false); k.ordered() && now < cost {
			cost = now
			continue
		}
		k.p = was
		k.edges(false)
		break
	}
	return cost
}

// The sizes tried on either side, and how many a standard deviation.
const (
	sizes        = 12
	perDeviation = 1.5
	negligible   = 1e-5 // of the weight of the best one
)

// climb goes to the parameters of the greatest likelihood, and reports whether it could.
func (k *rock) climb() bool {
	cost := k.edges(true)
	damp := 1e-3
	for step := range 12 {
		next, ok := k.step(damp)
		if !ok {
			return false
		}
		was := k.p
		k.p = next
		now := k.edges(false)
		if !(now <= cost+1e-9) || !k.ordered() {
			k.p = was
			cost = k.edges(false)
			if damp *= 10; damp > 1e6 {
				break
			}
			continue
		}
		damp = max(damp/10, 1e-9)
		done := math.Abs(k.p[pSize]-was[pSize]) < 1e-3 && cost-now < 1e-2
		cost = now
		if step == 3 {
			cost = k.edges(true)
		} else if done {
			break
		}
	}
	k.edges(true)
	return true
}

// edges brings slopes and curvatures to the parameters, and the standard
// deviations too if asked. It returns -2 log of the likelihood and of what is known.
func (k *rock) edges(deviations bool) (cost float64) {
	for i := range k.t {
		e, _ := k.model(i)
		if deviations {
			k.sigma[i] = math.Sqrt(sq(k.own) + sq(modelled) + k.q*e)
		}
		p, slope, curve := within(k.v[i]-k.p[pSize]-e, k.display, k.sigma[i])
		k.weight[i], k.rest[i] = curve, slope/curve
		cost -= 2 * math.Log(p)
	}
	for i := range k.params() {
		if k.se[i] > 0 {
			cost += sq((k.p[i] - k.prior[i]) / k.se[i])
		}
	}
	return cost
}

// within is the chance that a normal value of standard deviation s lies within half
// a step q of rest above its mean, the slope of its logarithm by the mean, and the curvature
// of that downwards.
func within(rest, q, s float64) (p, slope, curve float64) {
	a, b := (rest-q/2)/s, (rest+q/2)/s
	pa, pb := density(a), density(b)
	lo, hi := a, b
	if lo > 0 { // by the smaller tail, that the difference does not vanish
		lo, hi = -b, -a
	}
	in := (math.Erfc(-hi/math.Sqrt2) - math.Erfc(-lo/math.Sqrt2)) / 2
	p = (1-wildPart)*in + wildPart*min(1, q/(breadth*s))
	if in < 1e-300 {
		return p, 0, 1e-6 / (s * s)
	}
	mean := (pa - pb) / in // of the value within, in standard deviations
	held := (b*pb-a*pa)/in + mean*mean
	counts := (1 - wildPart) * in / p
	return p, counts * mean / s, max(1e-6, counts*min(1, max(held, least/(1+sq(q/s)/12)))) / (s * s)
}

func density(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }
