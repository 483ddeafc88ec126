package capture

import (
	"math"

	"fairbore/analysis"
)

const degree = math.Pi / 180

// What a rock must be for its size to be taken. The limits were set on
// simulated visits of all kinds, so that next to none of those that turn before
// square, or not at all, pass them (see BenchmarkScore).
const (
	leastSwing  = 1.25 * degree // mean tilt of the ends: less is no rock
	leastHalf   = 0.25          // s a swing: quicker is tremor; a rock takes 0.4 to 1.5 s (common practice)
	mostTilt    = 9 * degree
	leastDwell  = -0.15 // slower than this at square: it turned before it, on one side
	slowHalf    = 1.2   // s a swing: beyond it leastDwell rises by slowDwell for each s, as a
	slowDwell   = 0.25  // rock over one side looks twice as slow as it is
	mostDwell   = 0.6   // the hand stopped at the ends, for longer than it moved
	mostRhythm  = 2.8   // longest swing over the shortest
	mostUneven  = 0.06  // error of tilt, root mean square, as a part of the swing
	mostApart   = 5.0   // standard deviations of a pass from the others
	slack       = 1.4   // of Worst, of what is taken when the gauge leaves
	wrong       = 4.0   // of Worst: a size that is off by more is wrong
	mostWrong   = 0.01  // chance of that by the intervals of a coarse display (see DEVELOPERS.md)
	mostForm    = 15.0  // µm, that a place lies above another that was passed on the way (an assumption)
	modelled    = 0.04  // µm, what the model leaves out of the hand's motion (from simulation)
	skewSpread  = 0.05  // standard deviation of the skew of a swing (an assumption)
	leastSpare  = 4     // samples more than parameters
	priorWeight = 10    // samples that the repeatability known counts for
	mostRatio   = 1.6   // scatter over the scatter expected
	mostStrays  = 0.12  // part of the samples that lie beyond three standard deviations
)

// try fits the rock to the passes with the turning points l and says what is
// wrong with it, nothing if it may be taken.
func (c *turning) try(l []extreme) Reason {
	k := &c.rock
	if c.apart(l) {
		return Disagree
	}
	if !c.prepare(l) {
		return Fast
	}
	if len(k.t) < k.skews()+leastSpare {
		return Fast
	}
	if k.intervals() && c.rested(l) {
		return Uneven
	}
	if !k.fit() {
		if k.p[pDwell] < k.slowest() {
			return OneSide
		}
		return Uneven
	}
	return c.check()
}

func (c *turning) check() Reason {
	k := &c.rock
	swing := k.swings()
	for i := range k.ends {
		tilt := math.Abs(k.p[pEnd+2*i+1])
		if tilt > mostTilt && i > 0 && i < k.ends-1 { // the outer ends are but guessed at
			return Uneven
		}
	}
	half, rhythm := k.rhythm()
	switch {
	case k.dof < leastSpare:
		return Fast
	case swing < leastSwing, half < leastHalf:
		return NotRocked
	case k.p[pDwell] < k.slowest():
		return OneSide
	case rhythm > mostRhythm, k.p[pDwell] > mostDwell:
		return Uneven
	case k.q > k.unsteady():
		return Uneven
	case k.drifts():
		return Shrinking
	case k.worstPass() > mostApart:
		return Disagree
	case k.ratio() > mostRatio, k.strays() > mostStrays:
		return Uneven
	case k.doubt(c.worst()) > fair:
		return Uneven
	case k.margin()*k.student() > slack*c.worst() && !k.intervals():
		return Fast
	}
	return ""
}

// slowest is the dwell below which the hand was too slow at square to have passed it.
func (k *rock) slowest() float64 {
	half, _ := k.rhythm()
	return leastDwell + slowDwell*max(0, half-slowHalf)
}

// unsteady is the q above which the hand was too unsteady.
func (k *rock) unsteady() float64 { return 2 * k.c * sq(mostUneven*k.swings()) }

// worst is the largest uncertainty that is taken at once, µm.
func (c *turning) worst() float64 { return analysis.Length(c.o.Worst).Micrometres() }

// doubt is how far the passes are from those of a plain rock: a sum of squares, of
// how much they disagree, how unsteady the hand and its rhythm were, what the
// samples scatter, how flat the passes are at square, and how well the size is
// known, each over a scale that good ones seldom reach. A slip on a chamfer, a rock
// over one side and passes in two places are off in several of them at once. The
// scales and limits are from simulated visits.
func (k *rock) doubt(worst float64) float64 {
	half, rhythm := k.rhythm()
	flat := 0.15 - k.p[pDwell] + slowDwell*max(0, half-slowHalf)
	return sq(k.worstPass()/3.5) + k.q/(2*k.c*sq(0.12*degree)) + sq((rhythm-1)/1.5) + sq(max(0, k.ratio()-1)/0.4) +
		sq(k.strays()/0.3) + sq(max(0, flat)/0.3) + sq(k.margin()/(2*worst))
}

// The most doubt of a reading that is taken at once, and of one that is taken when
// all of the visit is known. Nine good rocks in ten have less than firm. Four
// passes agree by luck far more seldom than three.
const (
	firm = 0.5
	fair = 1.0
)

// swings is the mean tilt of the ends, rad.
func (k *rock) swings() (mean float64) {
	for i := range k.ends {
		mean += math.Abs(k.p[pEnd+2*i+1]) / float64(k.ends)
	}
	return mean
}

// rhythm is how long the swings take on average, s, and the longest over the shortest.
func (k *rock) rhythm() (half, ratio float64) {
	least, longest := math.Inf(1), 0.0
	for i := 1; i < k.ends; i++ {
		d := k.p[pEnd+2*i] - k.p[pEnd+2*i-2]
		least, longest = min(least, d), max(longest, d)
	}
	return (k.p[pEnd+2*(k.ends-1)] - k.p[pEnd]) / float64(k.ends-1), longest / least
}

// uncertainty is the standard uncertainty of the size, µm: of the fit, with the
// scatter seen and the repeatability known each counting for its samples, and of
// the model.
func (k *rock) uncertainty() float64 {
	return math.Hypot(math.Sqrt(k.cov)*k.ratio(), modelled)
}

// margin is the standard uncertainty that least squares give the size. By it a rock is
// judged with a coarse display too: it says how well the samples lie, while that of the
// intervals says where between two edges the size happens to be.
func (k *rock) margin() float64 {
	return math.Hypot(math.Sqrt(k.plain.cov)*k.ratio(), modelled)
}

// student is how much further out the rare errors lie than those of a normal
// distribution, as the scatter is known from few samples: the quantile of 1 in
// 10,000 of Student's t over the normal one (first term of Cornish and Fisher,
// (z³+z)/4ν with z = 3.89).
func (k *rock) student() float64 { return 1 + 4/(priorWeight+max(0, k.dof)) }

// ratio is the scatter seen over the scatter expected.
func (k *rock) ratio() float64 {
	return math.Sqrt((priorWeight + k.chi2) / (priorWeight + max(0, k.dof)))
}

// worstPass is how far the samples of the pass that agrees worst lie from the
// common size, in standard deviations. Near square only: there the size counts.
// Wild samples count up to four standard deviations each, and the wildest of a pass not at all, so that
// a spike does not, but a pass that turned elsewhere does.
func (k *rock) worstPass() float64 {
	type part struct{ sum, weight float64 }
	var all, wildest [most]part
	for i, r := range k.rest {
		deviation := math.Sqrt(k.variance + k.q*k.excess[i])
		w := k.variance / (k.variance + 4*k.q*k.excess[i])
		x := part{w * min(4, max(-4, r/deviation)), w * w}
		s := k.swing[i]
		all[s].sum += x.sum
		all[s].weight += x.weight
		if math.Abs(x.sum) > math.Abs(wildest[s].sum) {
			wildest[s] = x
		}
	}
	worst := 0.0
	for i := range k.ends - 1 {
		a, one := all[i], wildest[i]
		if math.Abs(one.sum) > strayed*math.Sqrt(one.weight) {
			a.sum, a.weight = a.sum-one.sum, a.weight-one.weight
		}
		if a.weight > 0 {
			worst = max(worst, math.Abs(a.sum)/math.Sqrt(a.weight))
		}
	}
	return worst
}

// drifts reports whether the samples near square rise or fall over the passes:
// by more than chance, and by more than a fifth of a µm from first to last.
func (k *rock) drifts() bool {
	var w0, wt, wtt, wr, wtr float64
	for i, r := range k.rest {
		w := k.weight[i] * sq(k.noise) / (sq(k.noise) + 4*k.q*k.excess[i])
		t := k.t[i] - k.t[0]
		w0, wt, wtt, wr, wtr = w0+w, wt+w*t, wtt+w*t*t, wr+w*r, wtr+w*t*r
	}
	spread := wtt - wt*wt/w0
	if !(spread > 0) {
		return false
	}
	slope := (wtr - wt*wr/w0) / spread
	return math.Abs(slope)*math.Sqrt(spread) > 3 && math.Abs(slope)*(k.t[len(k.t)-1]-k.t[0]) > 0.2
}

// strays is the part of the samples that lie too far off to count fully.
func (k *rock) strays() float64 {
	full := float64(k.skews()) + k.dof
	return 1 - full/float64(len(k.t))
}

// prepare sets the rock up: its samples, and where the fit starts.
func (c *turning) prepare(l []extreme) bool {
	passes := len(l) / 2
	k := &c.rock
	*k = rock{c: (c.o.Nominal - 2*c.o.Tip).Micrometres(), noise: c.noise, variance: sq(c.noise), own: analysis.Length(c.o.Repeatability).Micrometres(), display: c.o.step(), reach: wrong * c.worst(), ends: passes + 1}
	lowest, _ := heights(l)
	k.p[pSize], k.p[pDwell] = lowest, 0.15
	for i := range k.ends {
		at := end(l, i)
		k.p[pEnd+2*i] = at.t
		k.p[pEnd+2*i+1] = math.Sqrt(2*max(at.v-lowest, 0.2)/k.c) * float64(1-2*(i%2))
	}
	k.prior = k.p
	k.se[pDwell] = 0.2
	half := (k.p[pEnd+2*passes] - k.p[pEnd]) / float64(passes)
	for i := range k.ends {
		k.se[pEnd+2*i] = 0.3 * half
		k.se[pEnd+2*i+1] = 0.3*math.Abs(k.prior[pEnd+2*i+1]) + 0.01
	}
	for i := range passes {
		k.se[k.skews()+i] = skewSpread
	}
	c.collect(l, lowest)
	return half > 0.05 && k.ordered()
}

// end is where end i of the swings may be: at a maximum; or, before the first
// pass and after the last, where there was none yet or one that belongs to
// something else (a drag, the way in or out: far higher or longer ago), as far
// from the pass as the end on its other side.
func end(l []extreme, i int) sample {
	passes := len(l) / 2
	if i > 0 && i < passes {
		return l[2*i].sample
	}
	pass, other := l[1], l[2]
	if i == passes {
		pass, other = l[2*i-1], l[2*i-2]
	}
	mirrored := sample{2*pass.t - other.t, other.v}
	if 2*i >= len(l) {
		return mirrored
	}
	here := l[2*i]
	if here.v-pass.v > 1.5*(other.v-pass.v) || math.Abs(here.t-pass.t) > 1.4*math.Abs(other.t-pass.t) {
		return mirrored
	}
	return here.sample
}

// apart reports whether the lowest samples of the passes lie further from one another
// than noise and the time between samples explain, or all of them further above the lowest of
// the visit than a bore is out of true: then they are on its edge.
func (c *turning) apart(l []extreme) bool {
	lowest, _ := heights(l)
	if lowest-c.floor > mostForm+2*c.noise {
		return true
	}
	for i := 1; i < len(l); i += 2 {
		if l[i].v-lowest > 0.3+5*c.noise+6*l[i].miss {
			return true
		}
	}
	return false
}
