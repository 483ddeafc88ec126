package advise

import (
	"math"

	"fairbore/analysis"
)

// section is a section as it stands, µm from the target.
type section struct {
	depth       analysis.Length
	mean, max   float64
	u           float64 // of the mean, from repeatability
	part, doubt float64 // of the full rate that a full-length round brings here, and its spread
}

// spell is a round to be planned: what each section gets of it.
type spell struct {
	share, doubt []float64 // of the full rate, and the relative spread of that
}

// The most that a round may risk, at any section: of going over the high limit, and
// of passing the safe high size; and what the round advised risks of going over where
// a smaller one can be taken. Several rounds of a part come near that, and no more
// than one part in a hundred may go over. Chosen by simulation.
const (
	mostRisk = 0.01
	mostPast = 0.025
	planRisk = 0.0015
)

// The spread taken for granted of a section's part of the rate, and of one
// round's; common practice for an even hand.
const (
	partSpread  = 0.10
	bottomPart  = 0.85 // at the bottom of a blind bore, to begin with
	partScatter = 0.05
)

// sectionParts works out how the rate differs from section to section, from the
// rounds that worked the whole length: a mean of what each section got of it and
// of "the same as the rest", by their weights.
func (p *planner) sectionParts() {
	for i := range p.secs {
		s := &p.secs[i]
		weight := 1 / (partSpread * partSpread)
		sum := weight
		if p.in.Job.Blind && i == len(p.secs)-1 {
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

// whole is a spell over the full length.
func (p *planner) whole() spell {
	w := spell{make([]float64, len(p.secs)), make([]float64, len(p.secs))}
	for i, s := range p.secs {
		w.share[i], w.doubt[i] = s.part, s.doubt/s.part
	}
	return w
}

// mixed is a spell of which the part short is short strokes where it is tight,
// 1 all of it.
func (p *planner) mixed(t *tight, short float64) spell {
	w := p.whole()
	for i := range p.secs {
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

// ahead is the forecast at the pressure that is planned.
func (p *planner) ahead() *forecast {
	if p.light {
		return &p.rate.light
	}
	return &p.rate.full
}

// per is what a step of effort takes off, µm.
func (p *planner) per() float64 { return math.Exp(p.ahead().log) }

// spread is the relative spread of a round.
func (p *planner) spread() float64 { return p.ahead().spread }

// known: the rate is known from this part or earlier ones, not from the material.
func (p *planner) known() bool { return p.rate.Rounds > 0 || p.rate.Spread < wellEnough }

// reach is the effort after which the largest size of every section, gauged with a
// standard deviation of u, still lies below a limit but for one of the probabilities of past.
// What the round takes off above its median, of which the forecast tells the
// quantile and doubt adds to it as if both were normal, is added to the gauge's
// quantile by squares.
func (p *planner) reach(w spell, limit float64, often int, u float64) float64 {
	above, z := p.ahead().above[often], math.Sqrt2*math.Erfcinv(2*past[often])
	n, d := math.Inf(1), z*u
	for i, s := range p.secs {
		room := limit - s.max
		if room <= d {
			return 0
		}
		k := math.Expm1(math.Hypot(above, z*w.doubt[i]))
		// take + √((k take)² + d²) = room, solved for take
		take := (room*room - d*d) / (room + math.Sqrt(room*room-(1-k*k)*(room*room-d*d)))
		n = min(n, take/(p.per()*w.share[i]))
	}
	return n
}

// most is the longest effort, in whole steps, that is safe and has no more than
// the risk allowed.
func (p *planner) most(w spell) float64 {
	n := min(p.reach(w, p.edge, pastMost, 0), p.reach(w, p.high, pastRisk, p.u))
	if n = math.Floor(n/p.step + 1e-9); !(n >= 1) {
		return 0
	}
	return min(n, 1e5) * p.step
}

// risk is the probability that an effort of n takes the largest size of a
// section over the high limit, at the worst section. A section that would be less
// at risk than another even with three standard deviations of its doubt is not
// worked out.
func (p *planner) risk(w spell, n float64) (worst float64) {
	at := func(i int) float64 { return math.Log(w.share[i] / max(p.high-p.secs[i].max, 1e-9)) }
	least := math.Inf(-1)
	for i := range p.secs {
		least = max(least, at(i))
	}
	for i, s := range p.secs {
		if at(i)+3*w.doubt[i] >= least {
			worst = max(worst, p.ahead().risk(p.high-s.max, n, w.share[i], w.doubt[i], p.u))
		}
	}
	return worst
}

// How seldom a round may leave a reading above the edge, by which the honing ends
// even where the bore itself is good: far from size a smaller bite costs little and
// is made up for by the next; near size it would cost rounds. Chosen by simulation.
const (
	landFar  = 0.005
	landNear = 0.025
)

// Bites of what is left to the target.
const (
	halfBite   = 0.5
	largeBite  = 0.75
	fewScatter = 0.25 // as well known as by two rounds
	wellEnough = 0.6
	// smaller is the part of a bite to take when the stones have begun to cut
	// faster than one was led to expect, or were just dressed.
	smaller = 0.75
	// A difference along the bore is worked at alone once the stock is down to
	// alone tolerances, or to whenLocal times what the rest of the bore needs for
	// evening it out, with something to spare.
	alone     = 0.8
	whenLocal = 1.5
	keepSpare = 2.0
	// In a blind bore, where a part can't be turned, more.
	keepBlind = 4.0
)

// bite is how much of the stock to take next: half as it closes, from two
// tolerances to one; three quarters when only what is below that is left
// (common practice, which says 6 µm for the one bound), or while there is much
// stock and the rate is known from two rounds at least, or as well.
func (p *planner) bite() float64 {
	b := halfBite
	if p.stock <= p.tol || p.stock > 2*p.tol && (p.rate.Rounds >= 2 || p.rate.Spread < fewScatter) {
		b = largeBite
	}
	if p.rate.Faster || p.in.Dressed {
		b = halfBite * smaller
	}
	return b
}

// round is a planned round: n of effort, the part short of it in short strokes
// where it is tight.
type round struct {
	spell
	n, most, short float64
	want           float64 // before it was cut to whole steps
}

// lightBelow is below how many steps that are wanted light strokes take their place.
const lightBelow = 1.5

// plan works out the next round; n is 0 if there is none that is safe. Where a
// stroke is coarse for what is left, lighter ones take its place; the planner
// returned is the one to go on with.
func (p *planner) plan(t *tight) (*planner, round) {
	r := p.planned(t)
	if !p.noted || !p.known() || r.want >= lightBelow*p.step && !p.eased() {
		return p, r
	}
	q := *p
	q.light = true
	q.rate.light.find()
	if l := q.planned(t); l.n >= p.step {
		return &q, l
	}
	return p, r
}

// eased: the newest round was to be honed with light strokes. So it goes on to the
// end, for a hand keeps its pressure.
func (p *planner) eased() bool {
	for i := len(p.gains) - 1; i >= 0; i-- {
		if !p.gains[i].nothing() {
			return p.gains[i].light > 0
		}
	}
	return false
}

func (p *planner) planned(t *tight) round {
	whole := p.whole()
	if p.most(whole) < p.step { // not even one small round
		return round{spell: whole}
	}
	full := p.bite() * p.stock / p.per()
	if !t.real || t.where == "" || t.by <= worth(p.in.Job) {
		return p.steps(round{spell: whole, n: full})
	}
	short := p.correction(t)
	worked, rest := p.meanParts(t)
	cost := p.spare() * t.by * rest * restShare / p.evening(t)
	if p.stock <= max(alone*p.tol, whenLocal*cost) {
		return p.steps(round{spell: p.mixed(t, 1), n: short, short: 1})
	}
	if p.stock > 2*p.tol { // long before size all of it may go: what is too much evens out again
		short = max(short, p.behind(t)/(p.per()*p.evening(t)))
	}
	// Both: what the bite leaves besides the short strokes is of full length, but
	// no more than leaves room for evening all of the difference out. The places
	// where the stone cuts less than elsewhere want that made up too.
	part := (worked*t.share + rest*restShare) / 2
	extra := max(0, rest-worked) / p.evening(t)
	full = max(0, min((full-short*part)/(1+extra*part), (p.edge-p.largest-cost)/(p.per()*(1+2*p.spread()))))
	short += full * extra
	n := full + short
	return p.steps(round{spell: p.mixed(t, short/n), n: n, short: short / n})
}

func (p *planner) spare() float64 {
	if p.in.Job.Blind {
		return keepBlind
	}
	return keepSpare
}

// evening is by how much of the full rate short strokes bring the tight places
// nearer to the rest.
func (p *planner) evening(t *tight) float64 {
	worked, rest := p.meanParts(t)
	return max(0.1, worked*t.share-rest*restShare)
}

// correction is the effort of short strokes that takes half of the difference
// away, no more (common practice: dwell cuts fast, and leaves a step).
func (p *planner) correction(t *tight) float64 {
	return t.by / 2 / (p.per() * p.evening(t))
}

// behind is how far the mean of the sections that are tight is behind the mean of
// the rest, µm.
func (p *planner) behind(t *tight) float64 {
	var worked, rest, n float64
	for i, s := range p.secs {
		if t.worked[i] {
			worked, n = worked+s.mean, n+1
		} else {
			rest += s.mean
		}
	}
	return max(0, rest/max(float64(len(p.secs))-n, 1)-worked/max(n, 1))
}

// meanParts is what a full stroke brings the sections that are tight, and the rest.
func (p *planner) meanParts(t *tight) (worked, rest float64) {
	n := 0.0
	for i, s := range p.secs {
		if t.worked[i] {
			n++
			worked += s.part
		} else {
			rest += s.part
		}
	}
	return worked / max(n, 1), rest / max(float64(len(p.secs))-n, 1)
}

// landing is the effort after which the next gauging ends the honing seldom, and that
// risks no more than a round should.
func (p *planner) landing(w spell) float64 {
	often := pastNear
	if p.stock > p.tol {
		often = pastFar
	}
	return min(p.reach(w, p.edge, often, p.gauging), p.reach(w, p.high, pastPlan, p.u))
}

// steps cuts a round to what is safe and to whole steps, one at least.
func (p *planner) steps(r round) round {
	r.most = p.most(r.spell)
	r.n = min(r.n, r.most, p.landing(r.spell))
	r.want = r.n
	k := math.Floor(r.n/p.step + 1e-9)
	if p.rate.Seconds { // a clock is read to the second, and then to five
		if k = math.Round(r.n / p.step); k > 10 {
			k = 5 * math.Floor(k/5)
		}
	}
	r.n = min(max(k, 1)*p.step, r.most)
	return r
}
