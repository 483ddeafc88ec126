package capture

import (
	"math"

	"fairbore/analysis"
)

// What a rock must be for its size to be taken. The limits were set on
// simulated visits of all kinds, so that next to none of those that turn before
// square, or not at all, pass them (see BenchmarkScore).
const (
	leastSwing  = 1.0 * math.Pi / 180 // mean tilt of the ends: less is no rock
	mostTilt    = 9 * math.Pi / 180
	leastDwell  = -0.25  // slower than this at square: it turned before it, on one side
	mostUneven  = 0.0025 // rad of error of tilt, root mean square
	leastSpare  = 4      // samples more than parameters
	priorWeight = 10     // samples that the repeatability known counts for
	mostRatio   = 1.6    // scatter over the scatter expected
	mostStrays  = 0.08   // part of the samples that lie beyond three standard deviations
)

// try fits the rock to the passes with the turning points l and says what is
// wrong with it, nothing if it may be taken.
func (c *turning) try(l []extreme) Reason {
	k := &c.rock
	if !c.prepare(l) {
		return Fast
	}
	if len(k.t) < k.params()+leastSpare {
		return Fast
	}
	if !k.fit() {
		return Uneven
	}
	return c.check()
}

func (c *turning) check() Reason {
	k := &c.rock
	swing := 0.0
	for i := range k.ends {
		tilt := math.Abs(k.p[pEnd+2*i+1])
		swing += tilt / float64(k.ends)
		if tilt > mostTilt {
			return Uneven
		}
	}
	switch {
	case k.dof < leastSpare:
		return Fast
	case swing < leastSwing:
		return NotRocked
	case k.p[pDwell] < leastDwell:
		return OneSide
	case k.q > 2*k.c*sq(mostUneven):
		return Uneven
	case k.worstPass() > 3.5:
		return Disagree
	case k.ratio() > mostRatio, k.strays() > mostStrays:
		return Uneven
	case k.uncertainty() > analysis.Length(c.o.Worst).Micrometres():
		return Fast
	}
	return ""
}

// uncertainty is the standard uncertainty of the size, µm: of the fit, with the
// scatter seen and the repeatability known each counting for its samples.
func (k *rock) uncertainty() float64 {
	return math.Sqrt(k.cov * (priorWeight + k.chi2) / (priorWeight + max(0, k.dof)))
}

// ratio is the scatter seen over the scatter expected.
func (k *rock) ratio() float64 {
	return math.Sqrt((priorWeight + k.chi2) / (priorWeight + max(0, k.dof)))
}

// worstPass is how far the samples of the pass that agrees worst lie from the
// common size, in standard deviations. Near square only: there the size counts.
// Wild samples count up to four standard deviations each, so that a spike does
// not, but a pass that turned elsewhere does.
func (k *rock) worstPass() float64 {
	var sum, weight [most + 1]float64
	for i, r := range k.rest {
		deviation := math.Sqrt(sq(k.noise) + k.q*k.excess[i])
		w := sq(k.noise) / (sq(k.noise) + 4*k.q*k.excess[i])
		sum[k.swing[i]] += w * min(4, max(-4, r/deviation))
		weight[k.swing[i]] += w * w
	}
	worst := 0.0
	for i := range k.ends - 1 {
		if weight[i] > 0 {
			worst = max(worst, math.Abs(sum[i])/math.Sqrt(weight[i]))
		}
	}
	return worst
}

// strays is the part of the samples that lie too far off to count fully.
func (k *rock) strays() float64 {
	full := float64(k.params()) + k.dof
	return 1 - full/float64(len(k.t))
}

// prepare sets the rock up: its samples, and where the fit starts.
func (c *turning) prepare(l []extreme) bool {
	passes := len(l) / 2
	k := &c.rock
	*k = rock{c: (c.o.Nominal - 2*c.o.Tip).Micrometres(), noise: c.o.noise(), ends: passes + 1}
	lowest := math.Inf(1)
	for i := 1; i < len(l); i += 2 {
		lowest = min(lowest, l[i].v)
	}
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
	c.collect(l, lowest)
	return half > 0.05 && k.ordered()
}

// end is where end i of the swings may be: at a maximum; or, before the first
// pass and after the last, where there was none yet or a far higher one (a drag,
// the way in or out), as far from the pass as the end on its other side.
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
	if 2*i >= len(l) || l[2*i].v-pass.v > 1.5*(other.v-pass.v) {
		return mirrored
	}
	return l[2*i].sample
}

// collect takes the samples of the rock from the ring. Of the way to the first
// pass and from the last only what lies below the ends between counts.
func (c *turning) collect(l []extreme, lowest float64) {
	k := &c.rock
	top := 0.0
	for i := 2; i+1 < len(l); i += 2 {
		top = max(top, l[i].v-lowest)
	}
	n, swing := 0, 0
	for i := l[0].index; i < c.count; i++ {
		if len(l)%2 == 1 && i > l[len(l)-1].index {
			break
		}
		if next := 2 * (swing + 1); next+1 < len(l) && i >= l[next].index {
			swing++
		}
		x := c.ring[i%ringCap]
		outer := i < l[1].index || i > l[2*(len(l)/2)-1].index
		if outer && x.v-lowest > 0.9*top {
			continue
		}
		c.buf.t[n], c.buf.v[n], c.buf.swing[n] = x.t, x.v, uint8(swing)
		n++
	}
	b := &c.buf
	k.t, k.v, k.swing = b.t[:n], b.v[:n], b.swing[:n]
	k.weight, k.excess, k.rest = b.weight[:n], b.excess[:n], b.rest[:n]
}
