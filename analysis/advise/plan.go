package advise

import (
	"math"

	"fairbore/analysis"
)

// section is the present state of a section, µm from the target.
type section struct {
	depth       analysis.Length
	mean, max   float64
	u           float64 // standard uncertainty of the mean, from repeatability
	part, doubt float64 // share of the full rate that a full-length round brings here, and its spread
}

// allotment is a candidate round: what each section gets of it.
type allotment struct {
	share, doubt []float64 // share of the full rate, and its relative spread
}

// The most that a round may risk at any section, of going over the high limit and of passing the safe
// high size; and the risk of going over of the advised round, where a smaller round is possible.
// Several rounds of a part come near these, and no more than one part in a hundred may go over. Chosen
// by simulation.
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

// sectionParts works out how the rate differs from section to section, from the rounds that worked the
// whole length. It is a weighted mean of what each section got and of "the same as the rest".
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

// mixed returns a round of which the share short is short strokes where the bore is tight; 1 is all of
// it.
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

// maxEffort returns the effort after which the largest size of every section, gauged with a standard
// deviation of u, still lies below a limit, with one of tailProbabilities. The forecast gives
// the quantile of what the round takes off above its median, and doubt widens it as if both were
// normal. The gauge's quantile is added to it in quadrature.
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

// safeEffort returns the longest effort, in whole steps, that is safe and has no more than the allowed risk.
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

// How seldom a round may leave a reading above the edge, which ends the honing even where the bore
// itself is good. Far from size a smaller bite costs little, as the next one makes up for it; near
// size it would cost rounds. Chosen by simulation.
const (
	landFar  = 0.005
	landNear = 0.025
)

// The bites, as shares of what is left to the target.
const (
	halfBite   = 0.5
	largeBite  = 0.75
	fewScatter = 0.25 // known as well as from two rounds
	wellEnough = 0.6
	// dressedShare is the share of a bite to take when the stones begin to cut faster than expected, or were
	// just dressed.
	dressedShare = 0.75
	// A difference along the bore is worked on alone once the stock is down to alone tolerances, or to
	// whenLocal times what the rest of the bore needs while it is evened out, with something to spare.
	aloneTolerances = 0.8
	whenLocal       = 1.5
	keepSpare       = 2.0
	// More is kept in a blind bore, where a part can't be turned.
	keepBlind = 4.0
)

// biteShare returns which share of the stock to take next. It is a half between one and two tolerances
// of stock. It is three quarters at one tolerance or less (common practice, which states 6 µm as
// that bound). It is three quarters too above two tolerances, if the rate is known from at least two
// rounds, or as well as that.
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

// plan works out the next round. n is 0 if no round is safe. Where a stroke is coarse for what is
// left, lighter strokes replace it; the returned planner plans with these.
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
	if p.stock > 2*p.tol { // long before size all of the difference may go: too much of it evens out again
		short = max(short, p.tightDeficit(t)/(p.perStep()*p.evening(t)))
	}
	// This round does both. What the bite leaves besides the short strokes is of full length, but no more
	// than leaves room to even out the whole difference. Places where the stone cuts less than elsewhere
	// need that made up too.
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

// evening returns the share of the full rate by which short strokes bring the tight places nearer to
// the rest.
func (p *planner) evening(t *tight) float64 {
	worked, rest := p.meanParts(t)
	return max(0.1, worked*t.share-rest*restShare)
}

// correction returns the effort of short strokes that takes off half of the difference, not more
// (common practice: dwell cuts fast, and leaves a step).
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

// safeLanding returns the effort after which the next gauging seldom ends the honing, and which risks no
// more than a round should.
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
	if p.rate.Seconds { // a clock is read to the second, and longer times to five
		if k = math.Round(r.n / p.step); k > 10 {
			k = 5 * math.Floor(k/5)
		}
	}
	r.n = min(max(k, 1)*p.step, r.most)
	return r
}
