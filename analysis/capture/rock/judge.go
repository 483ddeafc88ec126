package rock

import (
	"cmp"
	"math"
	"slices"

	"fairbore/analysis/capture/pass"
)

// What is believed: log odds of 8 are one to three thousand. When the gauge has left, no later pass can
// show that an agreement was by chance, and less must suffice. All numbers of this file were chosen on the
// half of people and families that is for choosing (SCORE.md), except where a source is given.
const (
	oddsNeeded     = 8.0  // log odds
	oddsNeededLeft = 5.0  // the same, when the gauge has left
	oddsBack       = 0.0  // the least log odds against a hand that turns back in its own time
	mostU          = 0.25 // µm, standard uncertainty that is taken: an error of 1 µm is four of it; with a display of step q (µm) 1 + q times as much
	mostULast      = 0.33 // µm, the same when no pass is to come
	mostMisfit     = 2.5  // times the 99 % point of chi squared, of the scatter of the passes
)

// Which passes are weighed, and how well they are known.
const (
	leastRise      = 3.0  // standard deviations of a sample, of either side of a pass
	weighedU       = 2.5  // µm, the most standard uncertainty of a pass that is weighed
	countedU       = 1.2  // µm, the same of a pass that is counted too
	leastPassU     = 0.03 // µm, the least standard uncertainty of a pass
	sparseU        = 0.4  // µm, added for a pass that has just enough samples to the next; none is added with sparsePart more of them
	sparsePart     = 0.3
	speedU         = 0.06 // of a correction for averaging: its standard uncertainty, as the speed is not known better
	mostCorrection = 3.0  // µm, by averaging
	turnedBefore   = 0.01 // odds that a hand turns back just before square, before the samples are looked at
	agreeSigmas    = 3.0  // standard deviations
	scatterFreedom = 4.0  // degrees of freedom that the passes' own uncertainties are worth
	costBelow      = 5.0  // log odds that a pass below the others costs, if it came before them
	deepest        = 15.0 // µm: if the gauge showed so much less, the others are slips on an edge
)

// What makes the odds.
const (
	turnScatter      = 0.13 // relative scatter of where hands turn (gyroscope recordings: 0.10 to 0.15)
	mostFor          = 6.0  // log odds that one pass adds at most: models are not that good
	mostAgainst      = 20.0 // log odds that one pass costs at most
	mostAgainstTwice = 4.0  // the same, against a hand that turns back in its own time
	tellingSigmas    = 20.0 // standard deviations of a sample: a swing as high adds all that it can
	tellingSteps     = 8.0  // of the display: and one as high as this
	costEdge         = 1.0  // log odds that a pass with the way in or out on one side costs
	costAbove        = 3.0  // log odds that a pass above the others costs, the less the further it is off
	costAboveScale   = 10.0 // µm, by which it must be further off for that to be e times less
	costApart        = 0.5  // log odds that it costs at any distance
	costClear        = 0.5  // and in addition if it went through square as clearly as the others
	roughHand        = 1.5  // ln of a roughness at which a hand becomes doubtful; it costs as much as it is more
	mostRoughPass    = 2.0  // log odds that one pass costs for that at most
	mostRough        = 4.0  // log odds that all passes cost for that at most
	costSlow         = 60.0 // log odds that hands cost which are slower at square than beside it, times the part by which they are
	clearShape       = 1.5  // log odds that the shape of a pass through square tells on the average against turning back by the first of [pass.Turned]
	costShape        = 4.0  // times what is missing to that
	mostSurprise     = 5.0  // log odds that an unexpected size costs at most
	usualSpread      = 60.0 // µm over which sizes are spread that nobody expects
)

// weighed is a pass for the judgement.
type weighed struct {
	size, u, speed2 float64
	w               *valley
}

// judgement is what the passes say together.
type judgement struct {
	n, of            int // passes that agree; that are known
	members          int // passes that agree, with those that don't count
	size, u          float64
	odds, back       float64
	height           float64 // mean of the passes that agree, µm
	correction, chi2 float64
}

// judge fits the passes so far, and says whether they may be believed.
func (r *Rock) judge(when moment) (Reading, bool) {
	r.fitAll()
	var xs [mostPasses]weighed
	agreeing, j := r.best(xs[:r.weigh(&xs)])
	r.agree = j.n
	r.doubt = r.doubtOf(&j, when)
	if r.doubt != None {
		return Reading{}, false
	}
	return r.reading(agreeing, &j), true
}

// best finds the passes that agree, and judges them: the lowest of all, or those above passes that
// came before them, if that makes better odds.
func (r *Rock) best(xs []weighed) ([]weighed, judgement) {
	slices.SortFunc(xs, func(a, b weighed) int { return cmp.Compare(a.size, b.size) })
	j, from := r.agreeing(xs), 0
	for k := 1; k <= len(xs)-r.o.Least && xs[k].size-xs[0].size < deepest; k++ {
		if c := r.agreeing(xs[k:]); c.n >= r.o.Least && earlier(xs[:k], xs[k:k+c.members]) {
			if c.odds -= costBelow * float64(k); j.n < r.o.Least || c.odds > j.odds {
				j, from = c, k
			}
		}
	}
	return xs[from : from+j.members], j
}

// doubtOf says why the passes of a judgement may not be believed, if so.
func (r *Rock) doubtOf(j *judgement, when moment) Doubt {
	needed, worst := oddsNeeded, mostU
	switch when {
	case passed:
		worst = mostULast
	case left:
		needed, worst = oddsNeededLeft, mostULast
	}
	switch {
	case j.n < r.o.Least && j.of >= r.o.Least && j.of-j.n >= 2: // a single one that doesn't agree may have been a waver
		return Scatter
	case j.n < r.o.Least:
		return r.unsure()
	case r.floor < j.size-deepest:
		return Scatter
	case j.height < r.narrow:
		return Narrow
	case j.correction > mostCorrection:
		return Averaged
	case j.chi2 > mostMisfit*quantile99(j.n-1):
		return Scatter
	case j.back < oddsBack && j.odds < 0:
		return Turning
	case j.odds-r.unexpected(j) < needed || j.back < oddsBack:
		return More
	case j.u > worst*(1+r.o.Step):
		return r.unsure()
	}
	return None
}

// moment is when the passes are judged.
type moment uint8

const (
	rocked moment = iota // the latest pass rises, or has ended
	passed               // the next one is overdue
	left                 // the gauge has left
)

// earlier reports whether all passes a came before all b.
func earlier(a, b []weighed) bool {
	for _, x := range a {
		for _, y := range b {
			if y.w.t < x.w.t {
				return false
			}
		}
	}
	return true
}

// unsure says why the passes are not known better.
func (r *Rock) unsure() Doubt {
	few := 0
	for i := range r.nv {
		if r.vs[i].count < 2*fitSide-1 {
			few++
		}
	}
	if 2*few > r.nv {
		return Quick
	}
	return More
}

// weigh gathers the passes that are known, each with its size: the mean over the paces of a hand, weighted by
// the evidence of all passes together.
func (r *Rock) weigh(xs *[mostPasses]weighed) (n int) {
	var total [len(pass.Paces)]float64
	for i := range r.nv {
		if f := &r.vs[i].fit; r.known(&r.vs[i]) {
			best := max(f.Evidence[0], f.Evidence[1], f.Evidence[2])
			for k, e := range f.Evidence {
				total[k] += max(-3, e-best)
			}
		}
	}
	best := max(total[0], total[1], total[2])
	for i := range r.nv {
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
		u := math.Hypot(math.Sqrt(u2), leastPassU) * math.Sqrt(max(1, f.Misfit))
		u = math.Hypot(u, sparseU*max(0, 1+sparsePart-r.gap(i)/r.clock.mean/r.leastBetween())/sparsePart)
		if p := turnedBefore / (turnedBefore + math.Exp(min(50, f.Through[0]))); p > 0 { // it may have turned back just before square
			u = math.Hypot(u, math.Sqrt(p)*pass.Turned[0])
		}
		if u > weighedU {
			continue
		}
		m := f.Speed * f.Speed
		x := math.Pi / r.gap(i)
		// A mean of sin² over T lags its height by more than T²/12 does, and a first-order lag by less than τ² (series to the next order).
		c := m * (r.o.Averages*r.o.Averages/12*(1+7*sq(x*r.o.Averages)/60) + r.o.Lag*r.o.Lag*(1-sq(x*r.o.Lag)))
		xs[n] = weighed{size - c, math.Hypot(u, speedU*c), m, w}
		n++
	}
	return n
}

func sq(x float64) float64 { return x * x }

// known reports whether a pass was fitted and rises far enough on both sides.
func (r *Rock) known(w *valley) bool {
	return w.ok && w.fit.U[1] <= weighedU && w.low >= leastRise*r.o.Sigma
}

// agreeing judges the lowest passes that agree: nothing can lie below the size of the
// bore, and a hand that turns back shows more.
func (r *Rock) agreeing(xs []weighed) (j judgement) {
	j.of = len(xs)
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
		j.height += x.w.fit.Height / float64(k)
		widest = max(widest, x.u)
		j.correction = max(j.correction, x.speed2*(r.o.Averages*r.o.Averages/12+r.o.Lag*r.o.Lag))
		if x.u <= countedU {
			j.n++
		}
	}
	j.u *= math.Sqrt(max(1, (scatterFreedom+j.chi2)/(scatterFreedom+float64(max(1, k-1)))))
	r.weighOdds(&j, xs, k, widest)
	return j
}

// weighOdds works out the log odds that the lowest k passes went through square, against
// hands that turned back so high above it, each time anew within their scatter.
func (r *Rock) weighOdds(j *judgement, xs []weighed, k int, widest float64) {
	j.odds, j.back = math.Inf(1), math.Inf(1)
	for i, up := range pass.Turned {
		turns := turnScatter * (math.Sqrt(up+j.height) - math.Sqrt(up)) // of z
		scatter := 2*math.Sqrt(up)*turns + turns*turns                  // of the size that it would show, µm
		through, twice := 0.0, 0.0
		for _, x := range xs[:k] {
			same := math.Log(max(1, scatter/x.u))
			through += same + r.tells(x.w, x.w.fit.Through[i])
			twice += same + max(-mostAgainstTwice, r.tells(x.w, x.w.fit.Twice[i]))
		}
		first := math.Log(max(1, scatter/widest)) // the first of them agrees with nothing
		j.odds, j.back = min(j.odds, through-first), min(j.back, twice-first)
	}
	rough, fastest, shape := 0.0, 0.0, 0.0
	for _, x := range xs[:k] {
		if x.w.edge {
			j.odds -= costEdge
		}
		rough += min(mostRoughPass, max(0, x.w.fit.Rough-roughHand))
		fastest += x.w.fit.Fastest / float64(k)
		shape += min(mostFor, x.w.fit.Through[0]) / float64(k)
	}
	j.odds -= min(mostRough, rough)
	j.odds -= costSlow * max(0, 1-fastest)
	j.odds -= costShape * max(0, clearShape-shape)
	for _, x := range xs[k:] {
		j.odds -= costAbove*math.Exp(-max(0, x.size-j.size)/costAboveScale) + costApart
		if x.u <= countedU && x.w.fit.Through[0] > clearShape {
			j.odds -= costClear
		}
	}
}

// tells is what one pass adds to the odds. A swing that hardly rises above the noise or the steps of the display, or
// that is fitted badly, adds little.
func (r *Rock) tells(w *valley, odds float64) float64 {
	if odds < 0 {
		return max(-mostAgainst, odds)
	}
	odds /= max(1, w.fit.Misfit)
	return min(odds, mostFor*min(1, w.fit.Height/max(tellingSigmas*r.o.Sigma, tellingSteps*r.o.Step)))
}

// unexpected is the log odds that a size costs for being unlike what is expected; below 0 for one that is like
// it.
func (r *Rock) unexpected(j *judgement) float64 {
	if r.expectU <= 0 || j.n == 0 {
		return 0
	}
	u := math.Hypot(r.expectU, j.u)
	d := (j.size - r.expect) / u
	return max(-mostSurprise/2, min(mostSurprise, d*d/2-math.Log(max(1, usualSpread/(math.Sqrt(2*math.Pi)*u)))))
}

// reading makes the reading of the passes that agree.
func (r *Rock) reading(xs []weighed, j *judgement) (x Reading) {
	x = Reading{Size: j.size, U: j.u, Passes: len(xs), Since: math.Inf(1)}
	sum := 0.0
	for _, y := range xs {
		w := 1 / (y.u * y.u)
		sum += w
		x.Motion.Speed2 += w * y.speed2
		x.Misfit += y.w.fit.Misfit / float64(len(xs))
		x.Since, x.Last, x.Until = min(x.Since, y.w.t), max(x.Last, y.w.t), max(x.Until, y.w.until)
	}
	x.Motion.Speed2 /= sum
	for _, y := range xs {
		w, d := 1/(y.u*y.u), y.speed2-x.Motion.Speed2
		x.Motion.Spread += w * d * d
		x.Motion.Slope += w * d * (y.size - j.size)
	}
	r.spacing = (r.vs[r.nv-1].t - r.vs[0].t) / float64(r.nv-1)
	if r.expectU > 0 {
		x.Surprising = math.Abs(j.size-r.expect) > 2+3*math.Hypot(r.expectU, j.u)
	}
	return x
}

// quantile99 is about the 99 % point of chi squared (Wilson and Hilferty 1931).
func quantile99(n int) float64 {
	k := float64(max(1, n))
	x := 1 - 2/(9*k) + 2.326*math.Sqrt(2/(9*k))
	return k * x * x * x
}
