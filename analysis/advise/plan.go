package advise

import (
	"math"

	"fairbore/analysis"
)

// section is the present state of a section. Sizes are distances from the target in µm.
type section struct {
	depth       analysis.Length
	mean, max   float64
	u           float64 // standard uncertainty of the mean, from repeatability
	part, doubt float64 // share of the full rate that a full-length round brings here, and its spread
}

// allotment says what each section gets of a candidate round.
type allotment struct {
	share, doubt []float64 // share of the full rate, and its relative spread
}

// The largest risks of a round at any section. maxRisk is the risk of going over the high limit,
// and maxPast the risk of passing the safe high size. planRisk is the risk of going over the high
// limit in the advised round, where a smaller round is possible. Several rounds of a part come near
// these risks, and no more than one part in a hundred may go over. The values were chosen by
// simulation.
const (
	maxRisk  = 0.01
	maxPast  = 0.025
	planRisk = 0.0015
)

// The assumed spread of a section's share of the rate, in general and from round to round (common
// practice for an even hand).
const (
	partSpread  = 0.10
	bottomPart  = 0.85 // initial share at the bottom of a blind bore
	partScatter = 0.05
)

// sectionParts works out how the rate differs from section to section. It uses the rounds that
// worked the whole length. The result for a section is a weighted mean of the share that the
// section got and of the assumption that it gets the same as the rest.
func (p *planner) sectionParts() {
	for i := range p.sections {
		s := &p.sections[i]
		weight := 1 / (partSpread * partSpread)
		sum := weight
		if p.in.Job.Blind && i == len(p.sections)-1 {
			sum *= bottomPart
		}
		for _, g := range p.gains {
			if g.worked < 4*g.u || g.local {
				continue
			}
			for _, q := range g.parts {
				if q.depth == s.depth {
					v := q.u*q.u/(g.worked*g.worked) + partScatter*partScatter
					sum, weight = sum+q.gain/g.worked/v, weight+1/v
				}
			}
		}
		s.part, s.doubt = sum/weight, math.Sqrt(1/weight)
	}
}

// whole returns a round over the full length.
func (p *planner) whole() allotment {
	w := allotment{make([]float64, len(p.sections)), make([]float64, len(p.sections))}
	for i, s := range p.sections {
		w.share[i], w.doubt[i] = s.part, s.doubt/s.part
	}
	return w
}

// mixed returns a round with some short strokes where the bore is tight. short is their share of
// the round; 1 means all of it.
func (p *planner) mixed(t *tight, short float64) allotment {
	w := p.whole()
	for i := range p.sections {
		share, spread := restShare, restSpread
		if t.worked[i] {
			share, spread = t.share, t.share*t.doubt
		}
		all := 1 - short + short*share
		w.share[i] *= all
		w.doubt[i] = math.Hypot(w.doubt[i], short*spread/all)
	}
	return w
}

// forecast returns the forecast at the planned pressure.
func (p *planner) forecast() *forecast {
	if p.light {
		return &p.rate.light
	}
	return &p.rate.full
}

// perStep returns what a step of effort takes off, µm.
func (p *planner) perStep() float64 { return math.Exp(p.forecast().log) }

// spread returns the relative spread of a round.
func (p *planner) spread() float64 { return p.forecast().spread }

// known reports whether the rate is known from this part or earlier ones, not only from the material.
func (p *planner) known() bool { return p.rate.Rounds > 0 || p.rate.Spread < wellEnough }

// maxEffort returns the longest effort after which the largest size of every section seldom exceeds
// a limit. often selects the probability of exceeding it from tailProbabilities. The size is gauged
// with a standard deviation of u. The forecast gives the quantile of what the round takes off. The
// doubt about the share of a section widens this quantile as if both were normal. The quantile of
// the gauge is added in quadrature.
func (p *planner) maxEffort(w allotment, limit float64, often int, u float64) float64 {
	above, z := p.forecast().above[often], math.Sqrt2*math.Erfcinv(2*tailProbabilities[often])
	n, d := math.Inf(1), z*u
	for i, s := range p.sections {
		room := limit - s.max
		if room <= d {
			return 0
		}
		k := math.Expm1(math.Hypot(above, z*w.doubt[i]))
		// take + √((k take)² + d²) = room, solved for take
		take := (room*room - d*d) / (room + math.Sqrt(room*room-(1-k*k)*(room*room-d*d)))
		n = min(n, take/(p.perStep()*w.share[i]))
	}
	return n
}

// safeEffort returns the longest effort in whole steps that has no more than the allowed risks,
// maxRisk and maxPast.
func (p *planner) safeEffort(w allotment) float64 {
	n := min(p.maxEffort(w, p.edge, pastMost, 0), p.maxEffort(w, p.high, pastRisk, p.u))
	if n = math.Floor(n/p.step + 1e-9); !(n >= 1) {
		return 0
	}
	return min(n, 1e5) * p.step
}

// risk returns the probability that an effort of n takes the largest size of the worst section over
// the high limit. It skips a section that would have less risk than another even with three standard
// deviations of its doubt.
func (p *planner) risk(w allotment, n float64) (worst float64) {
	at := func(i int) float64 { return math.Log(w.share[i] / max(p.high-p.sections[i].max, 1e-9)) }
	least := math.Inf(-1)
	for i := range p.sections {
		least = max(least, at(i))
	}
	for i, s := range p.sections {
		if at(i)+3*w.doubt[i] >= least {
			worst = max(worst, p.forecast().risk(p.high-s.max, n, w.share[i], w.doubt[i], p.u))
		}
	}
	return worst
}

// How seldom a round may leave a reading above the edge. Such a reading ends the honing even if the
// bore itself is good. landFar holds far from size: a smaller bite costs little there, because the
// next bite makes up for it. landNear holds near size, where a smaller bite would cost rounds. The
// values were chosen by simulation.
const (
	landFar  = 0.005
	landNear = 0.025
)

// The bites, as shares of what is left to the target.
const (
	halfBite   = 0.5
	largeBite  = 0.75
	fewScatter = 0.25 // with less spread the rate is known as well as from two rounds
	wellEnough = 0.6  // with less spread the rate is known from more than the material
	// dressedShare is the share of a bite to take when the stones begin to cut faster than expected, or were
	// just dressed.
	dressedShare = 0.75
	// A difference along the bore is worked on alone once the stock is down to aloneTolerances times
	// the tolerance. It is also worked on alone once the stock is down to whenLocal times what the
	// rest of the bore loses while the difference is evened out. That loss is multiplied by keepSpare.
	aloneTolerances = 0.8
	whenLocal       = 1.5
	keepSpare       = 2.0
	// keepBlind replaces keepSpare in a blind bore, because such a part can't be turned.
	keepBlind = 4.0
)

// biteShare returns the share of the stock to take next. It is a half between one and two
// tolerances of stock. It is three quarters at one tolerance of stock or less (common practice,
// which states 6 µm as this bound). It is also three quarters above two tolerances, if the rate is
// known from at least two rounds, or equally well. It is less if the stones cut faster than
// expected or were just dressed.
func (p *planner) biteShare() float64 {
	b := halfBite
	if p.stock <= p.tol || p.stock > 2*p.tol && (p.rate.Rounds >= 2 || p.rate.Spread < fewScatter) {
		b = largeBite
	}
	if p.rate.Faster || p.in.Dressed {
		b = halfBite * dressedShare
	}
	return b
}

// round is a planned round: n of effort, with the share short of it in short strokes where the bore is
// tight.
type round struct {
	allotment
	n, most, short float64
	unrounded      float64 // before n was rounded to whole steps
}

// lightBelow is the number of steps below which light strokes replace full ones.
const lightBelow = 1.5

// plan works out the next round. n is 0 if no round is safe. If a full stroke is coarse for what is
// left, lighter strokes replace it. The returned planner then plans with light strokes.
func (p *planner) plan(t *tight) (*planner, round) {
	r := p.planned(t)
	if !p.noted || !p.known() || r.unrounded >= lightBelow*p.step && !p.lightBefore() {
		return p, r
	}
	q := *p
	q.light = true
	q.rate.light.quantiles()
	if l := q.planned(t); l.n >= p.step {
		return &q, l
	}
	return p, r
}

// lightBefore reports whether the newest round was advised with light strokes. Later rounds then stay light,
// because a hand keeps its pressure.
func (p *planner) lightBefore() bool {
	for i := len(p.gains) - 1; i >= 0; i-- {
		if !p.gains[i].tookNothing() {
			return p.gains[i].light > 0
		}
	}
	return false
}

func (p *planner) planned(t *tight) round {
	whole := p.whole()
	if p.safeEffort(whole) < p.step { // not even one small round is safe
		return round{allotment: whole}
	}
	full := p.biteShare() * p.stock / p.perStep()
	if !t.real || t.where == "" || t.by <= minDifference(p.in.Job) {
		return p.wholeSteps(round{allotment: whole, n: full})
	}
	short := p.correction(t)
	worked, rest := p.meanParts(t)
	cost := p.spare() * t.by * rest * restShare / p.evening(t)
	if p.stock <= max(aloneTolerances*p.tol, whenLocal*cost) {
		return p.wholeSteps(round{allotment: p.mixed(t, 1), n: short, short: 1})
	}
	if p.stock > 2*p.tol { // long before size the whole difference may go at once: later rounds even out any excess
		short = max(short, p.tightDeficit(t)/(p.perStep()*p.evening(t)))
	}
	// This round has both kinds of strokes. The part of the bite that the short strokes do not take is
	// of full length. It must leave enough room to even out the whole difference later. Where the
	// stone cuts less than elsewhere, extra short strokes make up for that.
	part := (worked*t.share + rest*restShare) / 2
	extra := max(0, rest-worked) / p.evening(t)
	full = max(0, min((full-short*part)/(1+extra*part), (p.edge-p.largest-cost)/(p.perStep()*(1+2*p.spread()))))
	short += full * extra
	n := full + short
	return p.wholeSteps(round{allotment: p.mixed(t, short/n), n: n, short: short / n})
}

func (p *planner) spare() float64 {
	if p.in.Job.Blind {
		return keepBlind
	}
	return keepSpare
}

// evening returns how fast short strokes bring the tight places nearer to the rest of the bore, as
// a share of the full rate.
func (p *planner) evening(t *tight) float64 {
	worked, rest := p.meanParts(t)
	return max(0.1, worked*t.share-rest*restShare)
}

// correction returns the effort of short strokes that takes off half of the difference. It does not
// take off more, because dwelling cuts fast and leaves a step (common practice).
func (p *planner) correction(t *tight) float64 {
	return t.by / 2 / (p.perStep() * p.evening(t))
}

// tightDeficit returns how far the mean of the tight sections is behind the mean of the rest, µm.
func (p *planner) tightDeficit(t *tight) float64 {
	var worked, rest, n float64
	for i, s := range p.sections {
		if t.worked[i] {
			worked, n = worked+s.mean, n+1
		} else {
			rest += s.mean
		}
	}
	return max(0, rest/max(float64(len(p.sections))-n, 1)-worked/max(n, 1))
}

// meanParts returns what a full stroke brings to the tight sections and to the rest.
func (p *planner) meanParts(t *tight) (worked, rest float64) {
	n := 0.0
	for i, s := range p.sections {
		if t.worked[i] {
			n++
			worked += s.part
		} else {
			rest += s.part
		}
	}
	return worked / max(n, 1), rest / max(float64(len(p.sections))-n, 1)
}

// safeLanding returns the longest effort after which the next gauging seldom ends the honing. It
// has no more risk of going over than planRisk.
func (p *planner) safeLanding(w allotment) float64 {
	often := pastNear
	if p.stock > p.tol {
		often = pastFar
	}
	return min(p.maxEffort(w, p.edge, often, p.gauging), p.maxEffort(w, p.high, pastPlan, p.u))
}

// wholeSteps rounds a round down to what is safe and to whole steps, at least one.
func (p *planner) wholeSteps(r round) round {
	r.most = p.safeEffort(r.allotment)
	r.n = min(r.n, r.most, p.safeLanding(r.allotment))
	r.unrounded = r.n
	k := math.Floor(r.n/p.step + 1e-9)
	if p.rate.Seconds { // people read a clock to the second, and longer times to five seconds
		if k = math.Round(r.n / p.step); k > 10 {
			k = 5 * math.Floor(k/5)
		}
	}
	r.n = min(max(k, 1)*p.step, r.most)
	return r
}
