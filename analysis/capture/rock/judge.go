package rock

import (
	"cmp"
	"math"
	"slices"

	"fairbore/analysis/capture/pass"
)

// The odds that are needed. Log odds of 8 are one to three thousand. Once the gauge has left, no
// later pass can show that the passes agreed by chance, so lower odds must suffice. All numbers of
// this file were chosen on one half of the recorded people and simulated families, the half that is
// set aside for choosing (SCORE.md), except where a source is given.
const (
	oddsNeeded     = 8.0  // log odds
	oddsNeededLeft = 5.0  // the same once the gauge has left
	oddsBack       = 0.0  // least log odds against a hand that turns back at its own pace
	maxU           = 0.25 // µm, largest standard uncertainty of a reading: an error of 1 µm is four times as large; with a display step of q µm the limit is multiplied by 1 + q
	maxULast       = 0.33 // µm, the same when no further pass is expected
	maxMisfit      = 2.5  // limit of chi squared of the passes, as a multiple of its 99 % point
)

// Which passes are weighed, and how well they are known.
const (
	minRise        = 3.0  // least rise on either side of a pass, in standard deviations of a sample
	weighedU       = 2.5  // µm, largest standard uncertainty of a pass that is weighed
	countedU       = 1.2  // µm, the same for a pass that counts
	minPassU       = 0.03 // µm, smallest standard uncertainty of a pass
	sparseU        = 0.4  // µm, added for a pass with just enough samples to the next one; it falls to 0 with sparsePart more samples
	sparsePart     = 0.3
	speedU         = 0.06 // relative standard uncertainty of a correction for averaging, as the speed is not known better
	maxCorrection  = 3.0  // µm, largest correction for averaging
	turnedBefore   = 0.01 // prior odds that a hand turns back just before square
	agreeSigmas    = 3.0  // standard deviations within which passes agree
	scatterFreedom = 4.0  // degrees of freedom that the passes' own uncertainties are worth
	costBelow      = 5.0  // cost of each lower pass that came before the others, in log odds
	maxDepth       = 15.0 // µm; if the gauge showed this much less than the size, the passes are slips on an edge
)

// The evidence. A cost is subtracted from the log odds.
const (
	turnScatter      = 0.13 // relative scatter of the tilts at which hands turn (gyroscope recordings: 0.10 to 0.15)
	maxGain          = 6.0  // largest log odds that one pass adds, because models are not better than that
	maxCost          = 20.0 // largest log odds that one pass costs
	maxCostTwice     = 4.0  // the same, against a hand that turns back at its own pace
	tellingSigmas    = 20.0 // standard deviations of a sample; a swing higher than this adds nothing more
	tellingSteps     = 8.0  // steps of the display; a swing higher than this adds nothing more either
	costEdge         = 1.0  // cost of a pass with the way in or out on one side
	costAbove        = 3.0  // cost of a pass above the passes that agree; it falls with the distance
	costAboveScale   = 10.0 // µm, distance over which that cost falls to 1/e
	costApart        = 0.5  // cost of such a pass at any distance
	costClear        = 0.5  // added cost if such a pass went through square as clearly as the others
	roughHand        = 1.5  // log roughness at which a hand becomes doubtful; the excess is the cost
	maxRoughCostPass = 2.0  // largest cost of roughness for one pass
	maxRoughCost     = 4.0  // largest cost of roughness for all passes
	costSlow         = 60.0 // cost of a hand that is slower at square than beside it, times the relative loss of speed
	clearShape       = 1.5  // log odds that the shape of a pass through square shows on average, against turning back by the first of [pass.TurnHeights]
	costShape        = 4.0  // cost for each unit of log odds that is missing to clearShape
	maxSurpriseCost  = 5.0  // largest cost of an unexpected size
	usualSpread      = 60.0 // µm over which sizes spread where none is expected
)

// weighed is a pass with its size and standard uncertainty, corrected for averaging.
type weighed struct {
	size, u, speed2 float64
	valley          *valley
}

// judgement is what the passes show together.
type judgement struct {
	counted, known   int // passes that agree and count; passes that are known
	members          int // passes that agree, including those that do not count
	size, u          float64
	odds, back       float64
	height           float64 // mean height of the passes that agree, µm
	correction, chi2 float64
}

// judge fits the passes so far. It returns a reading if they may be believed.
func (r *Finder) judge(when occasion) (Reading, bool) {
	r.fitAll()
	var xs [maxPasses]weighed
	agreeing, j := r.best(xs[:r.weigh(&xs)])
	r.agreed = j.counted
	r.doubt = r.doubtOf(&j, when)
	if r.doubt != None {
		return Reading{}, false
	}
	return r.reading(agreeing, &j), true
}

// best finds the passes that agree, and judges them. They are the lowest passes of all. Or, if that
// gives better odds, they are the lowest passes after earlier lower ones are left out.
func (r *Finder) best(xs []weighed) ([]weighed, judgement) {
	slices.SortFunc(xs, func(a, b weighed) int { return cmp.Compare(a.size, b.size) })
	j, from := r.agreeing(xs), 0
	for k := 1; k <= len(xs)-r.o.MinPasses && xs[k].size-xs[0].size < maxDepth; k++ {
		if c := r.agreeing(xs[k:]); c.counted >= r.o.MinPasses && earlier(xs[:k], xs[k:k+c.members]) {
			if c.odds -= costBelow * float64(k); j.counted < r.o.MinPasses || c.odds > j.odds {
				j, from = c, k
			}
		}
	}
	return xs[from : from+j.members], j
}

// doubtOf returns why the passes of a judgement may not be believed, or None.
func (r *Finder) doubtOf(j *judgement, when occasion) Doubt {
	needed, worst := oddsNeeded, maxU
	switch when {
	case passed:
		worst = maxULast
	case left:
		needed, worst = oddsNeededLeft, maxULast
	}
	switch {
	case j.counted < r.o.MinPasses && j.known >= r.o.MinPasses && j.known-j.counted >= 2: // a single pass that does not agree may have been a waver of the hand
		return Scatter
	case j.counted < r.o.MinPasses:
		return r.notEnough()
	case r.floor < j.size-maxDepth:
		return Scatter
	case j.height < r.narrowHeight:
		return Narrow
	case j.correction > maxCorrection:
		return Averaged
	case j.chi2 > maxMisfit*quantile99(j.counted-1):
		return Scatter
	case j.back < oddsBack && j.odds < 0:
		return TurnsBack
	case j.odds-r.costOfSurprise(j) < needed || j.back < oddsBack:
		return OneMore
	case j.u > worst*(1+r.o.Step):
		return r.notEnough()
	}
	return None
}

// occasion says when the passes are judged.
type occasion uint8

const (
	rocked occasion = iota // the latest pass is rising, or has ended
	passed                 // the next pass is overdue
	left                   // the gauge has left
)

// earlier reports whether all passes a came before all passes b.
func earlier(a, b []weighed) bool {
	for _, x := range a {
		for _, y := range b {
			if y.valley.t < x.valley.t {
				return false
			}
		}
	}
	return true
}

// notEnough returns why the size of the passes is not known better.
func (r *Finder) notEnough() Doubt {
	few := 0
	for i := range r.valleys {
		if r.vs[i].count < 2*fitSide-1 {
			few++
		}
	}
	if 2*few > r.valleys {
		return TooFast
	}
	return OneMore
}

// weigh collects the passes that are known, each with its size. The size is the mean over the hand's
// frequencies ([pass.FrequencyRatios]), weighted by the evidence of all passes together.
func (r *Finder) weigh(xs *[maxPasses]weighed) (n int) {
	var total [len(pass.FrequencyRatios)]float64
	for i := range r.valleys {
		if f := &r.vs[i].fit; r.known(&r.vs[i]) {
			best := max(f.Evidence[0], f.Evidence[1], f.Evidence[2])
			for k, e := range f.Evidence {
				total[k] += max(-3, e-best)
			}
		}
	}
	best := max(total[0], total[1], total[2])
	for i := range r.valleys {
		w := &r.vs[i]
		if !r.known(w) {
			continue
		}
		f := &w.fit
		sum, size, u2 := 0.0, 0.0, 0.0
		for k := range total {
			p := math.Exp(total[k] - best)
			sum += p
			size += p * f.Size[k]
			u2 += p * (f.U[k]*f.U[k] + f.Size[k]*f.Size[k])
		}
		size /= sum
		u2 = max(u2/sum-size*size, f.U[1]*f.U[1]/4)
		u := math.Hypot(math.Sqrt(u2), minPassU) * math.Sqrt(max(1, f.Misfit))
		u = math.Hypot(u, sparseU*max(0, 1+sparsePart-r.gap(i)/r.clock.mean/r.minBetween())/sparsePart)
		if p := turnedBefore / (turnedBefore + math.Exp(min(50, f.LogOdds[0]))); p > 0 { // the hand may have turned back just before square
			u = math.Hypot(u, math.Sqrt(p)*pass.TurnHeights[0])
		}
		if u > weighedU {
			continue
		}
		m := f.Speed * f.Speed
		x := math.Pi / r.gap(i)
		// A mean of sin² over T shows more than T²/12 of lag, and a first-order lag less than τ² (the next
		// order of the series).
		c := m * (r.o.Averages*r.o.Averages/12*(1+7*sq(x*r.o.Averages)/60) + r.o.Lag*r.o.Lag*(1-sq(x*r.o.Lag)))
		xs[n] = weighed{size - c, math.Hypot(u, speedU*c), m, w}
		n++
	}
	return n
}

func sq(x float64) float64 { return x * x }

// known reports whether a pass was fitted and rises far enough on both sides.
func (r *Finder) known(w *valley) bool {
	return w.ok && w.fit.U[1] <= weighedU && w.low >= minRise*r.o.Sigma
}

// agreeing judges the lowest passes that agree. The lowest ones count because nothing can lie below
// the size of the bore, and a hand that turns back shows a larger size.
func (r *Finder) agreeing(xs []weighed) (j judgement) {
	j.known = len(xs)
	sum, size := 0.0, 0.0
	k := 0
	for ; k < len(xs); k++ {
		x := &xs[k]
		if k > 0 && x.size-size/sum > agreeSigmas*math.Sqrt(1/sum+x.u*x.u) {
			break
		}
		sum += 1 / (x.u * x.u)
		size += x.size / (x.u * x.u)
	}
	if k == 0 {
		return j
	}
	j.members, j.size, j.u = k, size/sum, 1/math.Sqrt(sum)
	widest := 0.0
	for _, x := range xs[:k] {
		j.chi2 += sq((x.size - j.size) / x.u)
		j.height += x.valley.fit.Height / float64(k)
		widest = max(widest, x.u)
		j.correction = max(j.correction, x.speed2*(r.o.Averages*r.o.Averages/12+r.o.Lag*r.o.Lag))
		if x.u <= countedU {
			j.counted++
		}
	}
	j.u *= math.Sqrt(max(1, (scatterFreedom+j.chi2)/(scatterFreedom+float64(max(1, k-1)))))
	r.weighOdds(&j, xs, k, widest)
	return j
}

// weighOdds computes the log odds that the lowest k passes went through square, against hands that
// turned back at one of the heights of [pass.TurnHeights], with a scatter from turn to turn.
func (r *Finder) weighOdds(j *judgement, xs []weighed, k int, widest float64) {
	j.odds, j.back = math.Inf(1), math.Inf(1)
	for i, up := range pass.TurnHeights {
		turns := turnScatter * (math.Sqrt(up+j.height) - math.Sqrt(up)) // scatter of z
		scatter := 2*math.Sqrt(up)*turns + turns*turns                  // scatter of the size shown, µm
		through, twice := 0.0, 0.0
		for _, x := range xs[:k] {
			same := math.Log(max(1, scatter/x.u))
			through += same + r.evidence(x.valley, x.valley.fit.LogOdds[i])
			twice += same + max(-maxCostTwice, r.evidence(x.valley, x.valley.fit.LogOddsTwice[i]))
		}
		first := math.Log(max(1, scatter/widest)) // the first pass agrees with nothing
		j.odds, j.back = min(j.odds, through-first), min(j.back, twice-first)
	}
	rough, fastest, shape := 0.0, 0.0, 0.0
	for _, x := range xs[:k] {
		if x.valley.edge {
			j.odds -= costEdge
		}
		rough += min(maxRoughCostPass, max(0, x.valley.fit.LogRoughness-roughHand))
		fastest += x.valley.fit.RelativeSpeed / float64(k)
		shape += min(maxGain, x.valley.fit.LogOdds[0]) / float64(k)
	}
	j.odds -= min(maxRoughCost, rough)
	j.odds -= costSlow * max(0, 1-fastest)
	j.odds -= costShape * max(0, clearShape-shape)
	for _, x := range xs[k:] {
		j.odds -= costAbove*math.Exp(-max(0, x.size-j.size)/costAboveScale) + costApart
		if x.u <= countedU && x.valley.fit.LogOdds[0] > clearShape {
			j.odds -= costClear
		}
	}
}

// evidence returns the log odds that one pass adds. A swing adds little if it hardly rises above
// the noise or the steps of the display, or if its fit is bad.
func (r *Finder) evidence(w *valley, odds float64) float64 {
	if odds < 0 {
		return max(-maxCost, odds)
	}
	odds /= max(1, w.fit.Misfit)
	return min(odds, maxGain*min(1, w.fit.Height/max(tellingSigmas*r.o.Sigma, tellingSteps*r.o.Step)))
}

// costOfSurprise returns the cost of a size that differs from the expected one, in log odds. The
// cost is negative for a size that is close to the expected one.
func (r *Finder) costOfSurprise(j *judgement) float64 {
	if r.expectU <= 0 || j.counted == 0 {
		return 0
	}
	u := math.Hypot(r.expectU, j.u)
	d := (j.size - r.expect) / u
	return max(-maxSurpriseCost/2, min(maxSurpriseCost, d*d/2-math.Log(max(1, usualSpread/(math.Sqrt(2*math.Pi)*u)))))
}

// reading makes a reading from the passes that agree.
func (r *Finder) reading(xs []weighed, j *judgement) (x Reading) {
	x = Reading{Size: j.size, U: j.u, Passes: len(xs), Since: math.Inf(1)}
	sum := 0.0
	for _, y := range xs {
		w := 1 / (y.u * y.u)
		sum += w
		x.Motion.Speed2 += w * y.speed2
		x.Misfit += y.valley.fit.Misfit / float64(len(xs))
		x.Since, x.Last, x.Until = min(x.Since, y.valley.t), max(x.Last, y.valley.t), max(x.Until, y.valley.until)
	}
	x.Motion.Speed2 /= sum
	for _, y := range xs {
		w, d := 1/(y.u*y.u), y.speed2-x.Motion.Speed2
		x.Motion.Spread += w * d * d
		x.Motion.Slope += w * d * (y.size - j.size)
	}
	r.spacing = (r.vs[r.valleys-1].t - r.vs[0].t) / float64(r.valleys-1)
	if r.expectU > 0 {
		x.Surprising = math.Abs(j.size-r.expect) > 2+3*math.Hypot(r.expectU, j.u)
	}
	return x
}

// quantile99 returns the approximate 99 % point of chi squared (Wilson and Hilferty 1931).
func quantile99(n int) float64 {
	k := float64(max(1, n))
	x := 1 - 2/(9*k) + 2.326*math.Sqrt(2/(9*k))
	return k * x * x * x
}
