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

// likelihood is the way to the greatest likelihood of the intervals. The profile starts there and
// goes on by itself, so that near it is enough.
var likelihood = course{cost: (*rock).edges, rounds: 1, still: 0.05, fallen: 0.1}

// refine makes the size and its variance better by the likelihood of the intervals.
// By what the least squares found the rock is judged.
func (k *rock) refine() bool {
	return !k.intervals() || k.descend(&likelihood) && k.finish() && k.profile()
}

// profile takes the size and its variance for the mean and variance of what the
// profile of the likelihood says about it: amid a step that is a box rather than a
// bell, and its highest point says little. So how sure the size is, is said by how much of
// the profile lies beyond what is right: a box may be wide, and have none there. All else is
// made best at each size tried.
func (k *rock) profile() bool {
	best := k.p
	var move vector // of all with a step of the size, at first as the normal equations have it
	h := math.Sqrt(k.cov) / perDeviation
	for i := range move {
		move[i] = h * k.along[i] / k.cov
	}
	lowest := k.height()
	var logs [2*sizes + 1]float64 // of the weights
	first, last := sizes, sizes
	k.se[pSize] = h / 1000 // held there
	for last < 2*sizes && logs[last] > negligible {
		last++
		logs[last] = (lowest - k.settle(&move)) / 2
	}
	k.p = best
	for i := range move {
		move[i] = -h * k.along[i] / k.cov
	}
	for first > 0 && logs[first] > negligible {
		first--
		logs[first] = (lowest - k.settle(&move)) / 2
	}
	k.se[pSize], k.p = 0, best
	mean, variance := moments(logs[first : last+1])
	k.size += h * (mean + float64(first-sizes))
	k.cov = sq(h) * variance
	k.beyond = tails(logs[first:last+1], mean, k.reach/h)
	return true
}

// settle moves the parameters on, makes one step towards a higher likelihood, and returns the
// cost; what all moved by is the start for the next size.
func (k *rock) settle(move *vector) float64 {
	before := k.p
	for i, m := range move {
		k.p[i] += m
	}
	k.prior[pSize] = k.p[pSize]
	cost, was := k.at(), k.p
	if k.step(1e-3) {
		if now := k.height(); k.ordered() && now < cost {
			cost = now
		} else {
			k.p = was
		}
	}
	for i := range move {
		move[i] = k.p[i] - before[i]
	}
	return cost
}

// moments returns mean and variance of a density whose logarithms at 0, 1, 2 … are
// given, by sums with a step of a half; in between the logarithms are interpolated by
// cubics, lines at the ends. Beside the edge of a box a cubic overshoots: between two points it
// rises no further above them than a normal density would.
func moments(logs []float64) (mean, variance float64) {
	var sum, first, second float64
	add := func(x, log float64) {
		w := math.Exp(log)
		sum, first, second = sum+w, first+w*x, second+w*x*x
	}
	for i, l := range logs {
		add(float64(i), l)
		if i+1 == len(logs) {
			break
		}
		between := (l + logs[i+1]) / 2
		if i > 0 && i+2 < len(logs) {
			between = min(max(l, logs[i+1])+mostArch, (9*(l+logs[i+1])-logs[i-1]-logs[i+2])/16)
		}
		add(float64(i)+0.5, between)
	}
	mean = first / sum
	return mean, second/sum - sq(mean)
}

// tails is the part of a density that lies further than reach from a mean, its logarithms at 0, 1,
// 2 … given and lines in between. What lies beyond the ends does not count: they are
// where [negligible] is reached.
func tails(logs []float64, mean, reach float64) float64 {
	const fine = 8 // sums a step
	var sum, out float64
	for i := range fine*(len(logs)-1) + 1 {
		j, part := i/fine, float64(i%fine)/fine
		log := logs[j]
		if part > 0 {
			log += part * (logs[j+1] - log)
		}
		w := math.Exp(log)
		sum += w
		if math.Abs(float64(i)/fine-mean) > reach {
			out += w
		}
	}
	return out / sum
}

// The sizes tried at most on either side, how many a standard deviation, and the logarithm of
// a weight, by the best one's, at which to stop.
const (
	sizes        = 8
	perDeviation = 0.8
	negligible   = -7
	mostArch     = 1 / (8 * perDeviation * perDeviation)
)

// at is the cost at the parameters.
func (k *rock) at() float64 {
	k.place()
	return k.edges(false)
}

// height is the cost at the parameters, without their normal equations.
func (k *rock) height() (cost float64) {
	for i, v := range k.v {
		p, _, _, _ := inside(v-k.p[pSize]-k.model(i, nil), k.display, k.sigma[i])
		cost -= 2 * math.Log(p)
	}
	for i := range k.params() {
		if k.se[i] > 0 {
			cost += sq((k.prior[i] - k.p[i]) / k.se[i])
		}
	}
	return cost
}

// edges brings slopes and curvatures to the parameters, and the standard
// deviations too if asked. It returns -2 log of the likelihood and of what is known.
func (k *rock) edges(deviations bool) (cost float64) {
	k.begin()
	var b block
	for i, r := range k.rest {
		if deviations {
			k.sigma[i] = math.Sqrt(sq(k.own) + sq(modelled) + k.q*k.excess[i])
		}
		p, slope, curve := within(r, k.display, k.sigma[i])
		cost -= 2 * math.Log(p)
		k.gather(i, &b, curve, slope/curve)
	}
	return cost + k.known()
}

// inside is the chance p that a value is shown as it was: that a normal value of standard deviation
// s lies within half a step q of rest above its mean, or a wild one does. For the first of these
// it returns the chance in, and the edges of the step in standard deviations from the mean.
func inside(rest, q, s float64) (p, in, a, b float64) {
	by := 1 / s
	a, b = (rest-q/2)*by, (rest+q/2)*by
	lo, hi := a, b
	if lo > 0 { // by the smaller tail, that the difference does not vanish
		lo, hi = -b, -a
	}
	in = below(hi)
	if lo > -certain || hi < 0 {
		in -= below(lo)
	}
	return (1-wildPart)*in + wildPart*min(1, q/(breadth*s)), in, a, b
}

// within is the chance of [inside], the slope of its logarithm by the mean, and the curvature
// of that downwards.
func within(rest, q, s float64) (p, slope, curve float64) {
	p, in, a, b := inside(rest, q, s)
	by := 1 / s
	if in < 1e-300 {
		return p, 0, 1e-6 * by * by
	}
	pa, pb := density(a), density(b)
	mean := (pa - pb) / in // of the value within, in standard deviations
	held := (b*pb-a*pa)/in + mean*mean
	counts := (1 - wildPart) * in / p
	return p, counts * mean * by, max(1e-6, counts*min(1, max(held, least/(1+sq(q*by)/12)))) * by * by
}

// certain is how many standard deviations below a normal value next to surely is: all but 1e-11.
const certain = 6.7

// below is the chance that a normal value is below x.
func below(x float64) float64 {
	if x > certain {
		return 1
	}
	return math.Erfc(-x*(1/math.Sqrt2)) / 2
}

func density(x float64) float64 {
	if math.Abs(x) > 38 { // as it underflows
		return 0
	}
	return math.Exp(-x*x/2) * (1 / (math.SqrtPi * math.Sqrt2))
}
