package rock

import (
	"math"
	"slices"

	"fairbore/analysis/capture/pass"
)

// What is believed: log odds of 8 are one to three thousand. On leaving no later pass can
// betray a chance agreement, and less must do. All numbers of this file were chosen on the
// half of people and families that is for choosing (SCORE.md), but where a source is given.
const (
	believed     = 8.0
	believedLast = 5.0
	against      = 0.0  // the least log odds against a hand that turns back in its own time
	most         = 0.25 // µm, standard uncertainty that is taken: to be wrong by 1 µm takes four of it; with a display of step q (µm) 1 + q as much
	mostLast     = 0.33 // µm, on leaving
)

// Which passes are weighed, and how well they are known.
const (
	leastSigmas = 3.0  // standard deviations of a sample: a side of a pass that rises less is none
	joins       = 2.5  // µm: a pass that is known worse is left out
	counted     = 1.2  // µm: one that is known worse does not count as one
	own         = 0.03 // µm, what every pass is uncertain by at least
	guessed     = 0.4  // µm, more uncertain with so few samples from pass to pass that it is just fitted; none with three in ten more
	corrected   = 0.06 // of a correction for averaging: what its speed is uncertain by
	correction  = 3.0  // µm, most that averaging is corrected by
	doubtful    = 0.01 // odds before the samples are looked at that a hand turns back just before square
	agrees      = 3.0  // standard deviations
	freedom     = 4.0  // degrees of freedom that the passes' own uncertainties are worth
	undercut    = 5.0  // log odds that a pass below the others costs, on the way to the place
	deepest     = 15.0 // µm: if the gauge showed that much less the others are slips on an edge
)

// What makes the odds.
const (
	repeats    = 0.13 // relative scatter of where hands turn (gyroscope recordings: 0.10 to 0.15)
	tellsMost  = 6.0  // log odds that one pass speaks for it at most: models are not that good
	tellsLeast = 20.0 // and against it
	twiceLeast = 4.0  // and for a hand that turns back in its own time
	plain      = 20.0 // standard deviations of a sample: a swing as high as that tells what it can, and as high as so many
	steps      = 8.0  // of the display
	edges      = 1.0  // log odds that a pass with the way in or out on one side is worth less
	leftOut    = 3.0  // log odds that a pass above the others costs, the less the further it is off
	far        = 10.0 // µm, how much further by e times
	another    = 0.5  // log odds that it costs wherever it lies
	clearly    = 0.5  // and more if it went through square as clearly as they
	rough      = 1.5  // ln of a roughness at which a hand becomes doubtful; it costs as much as it is more
	roughest   = 4.0  // log odds, in all at most
	steep      = 60.0 // log odds against hands that are slower at square than beside it, as a part
	plainly    = 1.5  // log odds that passes through square have on the average against turning back by [pass.Turned] at first
	vague      = 4.0  // and what it costs that they have less
	surprise   = 5.0  // log odds that an unexpected size costs at most
	usual      = 60.0 // µm over which sizes are spread that nobody expects
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

// judge says whether the passes so far may be believed.
func (r *Rock) judge(when moment) (Reading, bool) {
	var xs [passes]weighed
	n := r.weigh(&xs)
	slices.SortFunc(xs[:n], func(a, b weighed) int {
		if a.size < b.size {
			return -1
		}
		return 1
	})
	j, from := r.agreeing(xs[:n]), 0
	for k := 1; k <= n-r.o.Least && xs[k].size-xs[0].size < deepest; k++ {
		if c := r.agreeing(xs[k:n]); c.n >= r.o.Least && earlier(xs[:k], xs[k:k+c.members]) {
			if c.odds -= undercut * float64(k); j.n < r.o.Least || c.odds > j.odds {
				j, from = c, k
			}
		}
	}
	r.agree = j.n
	limit, worst := believed, most
	switch when {
	case passed:
		worst = mostLast
	case left:
		limit, worst = believedLast, mostLast
	}
	worst *= 1 + r.o.Step
	unexpected := r.unexpected(&j)
	switch {
	case j.n < r.o.Least:
		r.doubt = Scatter
		if j.of < r.o.Least || j.of-j.n < 2 { // one that doesn't agree may have been a waver
			r.doubt = r.unsure()
		}
	case r.floor < j.size-deepest:
		r.doubt = Scatter
	case j.height < r.narrow:
		r.doubt = Narrow
	case j.correction > correction:
		r.doubt = Averaged
	case j.chi2 > 2.5*quantile99(j.n-1):
		r.doubt = Scatter
	case j.back < against && j.odds < 0:
		r.doubt = Turning
	case j.odds-unexpected < limit || j.back < against:
		r.doubt = More
	case j.u > worst:
		r.doubt = r.unsure()
	default:
		r.doubt = None
		return r.reading(xs[from:from+j.members], &j), true
	}
	return Reading{}, false
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
	last := math.Inf(-1)
	for _, x := range a {
		last = max(last, x.w.t)
	}
	for _, x := range b {
		if x.w.t < last {
			return false
		}
	}
	return true
}

// unsure says why the passes are not known better.
func (r *Rock) unsure() Doubt {
	few := 0
	for i := range r.nv {
		if r.vs[i].count < 2*sides-1 {
			few++
		}
	}
	if 2*few > r.nv {
		return Quick
	}
	return More
}

// weigh gathers the passes that are known, each with its size: over the paces of a hand as
// the evidence of all passes together weighs them.
func (r *Rock) weigh(xs *[passes]weighed) (n int) {
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
		u := math.Hypot(math.Sqrt(u2), own) * math.Sqrt(max(1, f.Misfit))
		u = math.Hypot(u, guessed*max(0, 1.3-r.gap(i)/r.clock.mean/r.enough())/0.3)
		if p := doubtful / (doubtful + math.Exp(min(50, f.Through[0]))); p > 0 { // it may have turned back just before square
			u = math.Hypot(u, math.Sqrt(p)*pass.Turned[0])
		}
		if u > joins {
			continue
		}
		m := f.Speed * f.Speed
		x := math.Pi / r.gap(i)
		// A mean of sin² over T lags its height by more than T²/12 does, and a first-order lag by less than τ² (series to the next order).
		c := m * (r.o.Averages*r.o.Averages/12*(1+7*sq(x*r.o.Averages)/60) + r.o.Lag*r.o.Lag*(1-sq(x*r.o.Lag)))
		xs[n] = weighed{size - c, math.Hypot(u, corrected*c), m, w}
		n++
	}
	return n
}

func sq(x float64) float64 { return x * x }

// known reports whether a pass was fitted and rises far enough on both sides.
func (r *Rock) known(w *valley) bool {
	return w.ok && w.fit.U[1] <= joins && w.low >= leastSigmas*r.o.Sigma
}

// agreeing takes the lowest passes that agree: nothing can lie below the size of the
// bore, and a hand that turns back lies above it.
func (r *Rock) agreeing(xs []weighed) (j judgement) {
	j.of = len(xs)
	sum, size := 0.0, 0.0
	k := 0
	for ; k < len(xs); k++ {
		x := &xs[k]
		if k > 0 && x.size-size/sum > agrees*math.Sqrt(1/sum+x.u*x.u) {
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
		if x.u <= counted {
			j.n++
		}
	}
	j.u *= math.Sqrt(max(1, (freedom+j.chi2)/(freedom+float64(max(1, k-1)))))
	j.correction = r.correction(xs[:k])
	r.weighOdds(&j, xs, k, widest)
	return j
}

// weighOdds works out the log odds that the lowest k passes went through square, against
// hands that turned back so high above it, each time anew within their scatter.
func (r *Rock) weighOdds(j *judgement, xs []weighed, k int, widest float64) {
	j.odds, j.back = math.Inf(1), math.Inf(1)
	for i, up := range pass.Turned {
		turns := repeats * (math.Sqrt(up+j.height) - math.Sqrt(up)) // of z
		scatter := 2*math.Sqrt(up)*turns + turns*turns              // of the size that it would show, µm
		through, twice := 0.0, 0.0
		for _, x := range xs[:k] {
			same := math.Log(max(1, scatter/x.u))
			through += same + r.tells(x.w, x.w.fit.Through[i])
			twice += same + max(-twiceLeast, r.tells(x.w, x.w.fit.Twice[i]))
		}
		first := math.Log(max(1, scatter/widest)) // the first of them agrees with nothing
		j.odds, j.back = min(j.odds, through-first), min(j.back, twice-first)
	}
	jerks, fastest, shape := 0.0, 0.0, 0.0
	for _, x := range xs[:k] {
		if x.w.edge {
			j.odds -= edges
		}
		jerks += min(2, max(0, x.w.fit.Rough-rough))
		fastest += x.w.fit.Fastest / float64(k)
		shape += min(tellsMost, x.w.fit.Through[0]) / float64(k)
	}
	j.odds -= min(roughest, jerks)
	j.odds -= steep * max(0, 1-fastest)
	j.odds -= vague * max(0, plainly-shape)
	for _, x := range xs[k:] {
		j.odds -= leftOut*math.Exp(-max(0, x.size-j.size)/far) + another
		if x.u <= counted && x.w.fit.Through[0] > plainly {
			j.odds -= clearly
		}
	}
}

// tells is what one pass may add to the odds: a swing that hardly rises above the noise or the steps of the display, or
// that is fitted badly, speaks for nothing.
func (r *Rock) tells(w *valley, odds float64) float64 {
	if odds < 0 {
		return max(-tellsLeast, odds)
	}
	odds /= max(1, w.fit.Misfit)
	return min(odds, tellsMost*min(1, w.fit.Height/max(plain*r.o.Sigma, steps*r.o.Step)))
}

// correction is how much the passes were corrected by for averaging, µm.
func (r *Rock) correction(xs []weighed) (c float64) {
	for _, x := range xs {
		c = max(c, x.speed2*(r.o.Averages*r.o.Averages/12+r.o.Lag*r.o.Lag))
	}
	return c
}

// unexpected is the log odds that a size costs which differs from what is expected:
// one that fits is worth some, one that doesn't wants more passes.
func (r *Rock) unexpected(j *judgement) float64 {
	if r.expectU <= 0 || j.n == 0 {
		return 0
	}
	u := math.Hypot(r.expectU, j.u)
	d := (j.size - r.expect) / u
	return max(-surprise/2, min(surprise, d*d/2-math.Log(max(1, usual/(math.Sqrt(2*math.Pi)*u)))))
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
