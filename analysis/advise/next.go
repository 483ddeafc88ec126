package advise

import (
	"math"

	"fairbore/analysis"
	"fairbore/analysis/verdict"
)

// planner holds the input, prepared for planning. Sizes are distances from the target in µm.
type planner struct {
	in          *Input
	repeat      float64
	gains       []gain
	gaugedAgain int // how often the bore was gauged again since it was last honed
	rate        Rate
	noted       bool    // the rounds note strokes or seconds; otherwise a step is in µm
	step        float64 // the smallest round
	light       bool    // at about half the pressure
	sections    []section

	tol, high, edge float64 // tolerance; high limit; the largest reading that is allowed
	u               float64
	gauging         float64 // standard deviation of a reading between two gaugings
	stock           float64 // from the mean to the target
	largest         float64 // largest reading
}

// byFeelSpread is the spread of a removal that the operator judges by feel, because neither strokes
// nor seconds are noted. byFeelStep is the smallest round that is then advised, in µm.
const (
	byFeelSpread = 0.35
	byFeelStep   = 0.1
)

// bar is a reason that forbids a round.
type bar struct {
	do  ActionKind
	why analysis.Phrase
}

func newPlanner(in *Input) (*planner, *bar) {
	if bar := forbidden(in); bar != nil {
		return nil, bar
	}
	p := &planner{in: in, step: 1}
	p.repeat = p.repeatability()
	if bar := p.warm(); bar != nil {
		return nil, bar
	}
	if n := len(in.Judged.Missing); n > 0 {
		return nil, &bar{Gauge, analysis.Say("advise.gauge_rest", n, in.Judged.Missing[0])}
	}
	if n := len(in.Rounds); n > 0 && !in.Rounds[n-1].Complete {
		return nil, &bar{Gauge, analysis.Say("advise.gauge_round")}
	}
	p.follow()
	p.locate()
	return p, nil
}

// forbidden returns the reason that forbids any advice, or nil.
func forbidden(in *Input) *bar {
	switch {
	case in.Job == nil:
		return &bar{Gauge, analysis.Say("advise.choose_job")}
	case in.Judged == nil || in.Form == nil || len(in.Form.Sections) == 0 || in.Judged.Sizes.Largest == nil && len(in.Judged.Invalid) == 0:
		return &bar{Gauge, analysis.Say("advise.gauge_first")}
	case len(in.Judged.Invalid) > 0:
		return &bar{CheckZero, in.Judged.Invalid[0]}
	case in.U.Standard <= 0 || in.U.Expanded <= 0:
		return &bar{CheckZero, analysis.Say("advise.no_u")}
	}
	return nil
}

func (p *planner) repeatability() float64 {
	switch {
	case p.in.Repeatability > 0:
		return µm(p.in.Repeatability)
	case p.in.Form.Repeatability > 0:
		return µm(p.in.Form.Repeatability)
	}
	return µm(p.in.U.Expanded) / 4
}

// warm tells the operator to wait while the part may still shrink by more than is measurable: by half
// as much again as the gauge's repeatability, or a twentieth of the tolerance.
func (p *planner) warm() *bar {
	w := p.in.Warm
	if w == nil || w.Shrink <= 0 {
		return nil
	}
	if µm(w.maxShrink()) <= max(1.5*p.repeat, (p.in.Job.High-p.in.Job.Low).Micrometres()/20) {
		return nil
	}
	if w.Wait > 0 {
		return &bar{Wait, analysis.Say("advise.warm_wait", w.Wait, w.Shrink)}
	}
	return &bar{Wait, analysis.Say("advise.warm", w.Shrink)}
}

// driftPart is the share of the tolerance by which zero and temperature may drift in either
// direction before anybody acts (common practice).
const driftPart = 0.1

// commonSD returns the standard deviation of the drift that driftPart allows, in µm.
func commonSD(j *analysis.Job) float64 {
	return driftPart / math.Sqrt(3) * (j.High - j.Low).Micrometres()
}

// follow estimates the rate from the rounds.
func (p *planner) follow() {
	in := p.in
	seconds := timed(in.Rounds, in.Prior)
	p.gauging = math.Hypot(p.repeat, commonSD(in.Job))
	p.gains = gains(in.Rounds, p.repeat, commonSD(in.Job), seconds)
	p.gaugedAgain = countGaugedAgain(p.gains)
	f := newRates(in.Job, in.Prior, seconds)
	honed, noted := false, false
	for i := range p.gains {
		f.observe(&p.gains[i])
		honed = honed || !p.gains[i].tookNothing()
		noted = noted || p.gains[i].effort > 0 // also if the round took off too little to tell a rate
	}
	p.rate = f.forecast(seconds, in.Dressed)
	p.noted = noted || !honed
	if !p.noted {
		p.rate, p.step = Rate{full: byFeel(byFeelSpread), Spread: byFeelSpread}, byFeelStep
	}
}

// locate converts limits and sections to distances from the target.
func (p *planner) locate() {
	j, z := p.in.Job, &p.in.Judged.Sizes.Zone
	p.tol = (j.High - j.Low).Micrometres()
	p.high = (j.High - j.Target).Micrometres()
	p.edge = (min(j.High-analysis.Length(p.in.U.Expanded), z.AcceptHigh) - j.Target).Micrometres()
	p.u = µm(p.in.U.Standard)
	p.largest = math.Inf(-1)
	for _, s := range p.in.Form.Sections {
		q := section{depth: s.Depth, mean: (s.Mean - j.Target).Micrometres(), max: (s.Max - j.Target).Micrometres()}
		q.u = p.repeat / math.Sqrt(float64(max(s.N, 1)))
		p.sections = append(p.sections, q)
		p.stock -= q.mean / float64(len(p.in.Form.Sections))
		p.largest = max(p.largest, q.max)
	}
	p.sectionParts()
}

// advise works out the advice that follows from the stop rule.
func (p *planner) advise() Advice {
	t := p.findTight()
	a := Advice{Saved: true, Rate: &p.rate, How: p.measures(&t)}
	if !p.noted {
		a.Rate = nil
	}
	if t.real {
		a.Where, a.At, a.By = t.where, t.at, deviation(t.by)
	}
	p.salvage(&a, &t)
	switch b := p.in.Judged; {
	case b.State == verdict.Over:
		a.lost(analysis.Say("advise.lost.over"))
		a.aside("advise.aside.over", b.Sentence)
	case b.Stop.Action == verdict.LayAside:
		p.gaugeAgainOrLayAside(&a, b.Stop.Reason)
	case b.Stop.Action == verdict.StopNow:
		p.gaugeAgainOrLayAside(&a, b.Stop.Reason)
	case b.Stop.Action == verdict.Finished && !p.in.Due.IsZero():
		a.Kind, a.Sentence, a.Reason = CheckZero, analysis.Say("advise.check.accept", p.in.Job.Ring), p.in.Due
	case b.Stop.Action == verdict.Finished:
		a.says(Stop, "advise.stop.in_size", b.Stop.Reason)
	case b.Stop.Action == verdict.FormFault:
		p.mend(&a, &t)
	case b.Stop.Action == verdict.HoneOn:
		p.hone(&a, &t)
	default:
		p.formDoubt(&a, &t)
	}
	return a
}

// formDoubt advises on a bore that is in size, but for which nobody can say that it meets its form
// limit. Differences along the bore may still be evened out.
func (p *planner) formDoubt(a *Advice, t *tight) {
	if t.by > minDifference(p.in.Job) && p.evenOut(a, t) {
		return
	}
	if p.gaugedAgain > 0 {
		a.says(Stop, "advise.stop.form_close", p.in.Judged.Sentence)
		return
	}
	a.says(GaugeAgain, "advise.again.form_close", p.in.Judged.Sentence)
}

// evenOut advises a round of short strokes, if there is room for one.
func (p *planner) evenOut(a *Advice, t *tight) bool {
	if !t.real || t.where == "" || !a.Saved || p.safeEffort(p.whole()) < p.step {
		return false
	}
	p.fill(a, t, p.wholeSteps(round{allotment: p.mixed(t, 1), n: p.correction(t), short: 1}))
	return a.Kind != ""
}

// gaugeAgainOrLayAside advises on a bore past the safe high size: check the zero, let the bore cool
// and gauge it again.
// The bore is laid aside when a second gauging reads over the high limit itself. It is also laid
// aside when the mean of the last two of three gaugings is past the safe size, because the part may
// have been warm at the first, and in any case after four gaugings.
func (p *planner) gaugeAgainOrLayAside(a *Advice, why analysis.Phrase) {
	a.Nearly = true
	if p.gaugedAgain > 0 && p.largest > p.high || p.gaugedAgain > 1 && p.meanLargest() > p.edge || p.gaugedAgain >= 3 {
		a.lost(analysis.Say("advise.lost.past_safe"))
		a.aside("advise.aside.past_safe", why)
		return
	}
	if !p.in.Checked {
		a.says(CheckZero, "advise.check.past_safe", why)
		return
	}
	a.says(GaugeAgain, "advise.again.past_safe", why)
}

// meanLargest returns the mean of the largest readings of the newest two rounds.
func (p *planner) meanLargest() float64 {
	last := p.in.Rounds[len(p.in.Rounds)-2:]
	return ((last[0].Largest - p.in.Job.Target).Micrometres() + (last[1].Largest - p.in.Job.Target).Micrometres()) / 2
}

func (a *Advice) aside(sentence string, why analysis.Phrase) {
	a.says(LayAside, sentence, why)
	a.How = nil
}

// salvage works out whether the differences along and around the bore can still be brought within
// their limits. Short strokes also take off material in the rest of the bore. An oval needs at
// least its own size of stock (common practice).
func (p *planner) salvage(a *Advice, t *tight) {
	b, room := p.in.Judged, p.edge-p.largest
	z := &b.Sizes.Zone
	differ := (b.Sizes.Largest.Size - b.Sizes.Smallest.Size).Micrometres()
	allowed := max((z.AcceptHigh - z.AcceptLow).Micrometres(), 0)
	if v := µm(p.in.Job.Variation); v > 0 {
		allowed = min(allowed, v)
	}
	excess := differ - allowed
	if excess <= 0 {
		return
	}
	alongPart := min(excess, t.by)
	if cost := alongPart * restLeast / (1 - restLeast); cost <= room && excess-alongPart <= room {
		return
	}
	a.lost(analysis.Say("advise.lost.differ",
		deviation(differ), deviation(excess), deviation(max(room, 0))))
}

// mend advises on a bore that is in size but has a form fault: short strokes, if there is room.
func (p *planner) mend(a *Advice, t *tight) {
	if p.evenOut(a, t) {
		return
	}
	if p.gaugedAgain == 0 {
		a.says(GaugeAgain, "advise.again.form", p.in.Judged.Sentence)
		return
	}
	a.lost(analysis.Say("advise.lost.form"))
	a.aside("advise.aside.form", p.in.Judged.Sentence)
}

// hone advises on a bore with stock to go.
func (p *planner) hone(a *Advice, t *tight) {
	q, r := p.plan(t)
	switch {
	case !a.Saved && p.gaugedAgain == 0:
		a.says(GaugeAgain, "advise.again.lost", a.NotSaved)
	case !a.Saved:
		a.aside("advise.aside.lost", a.NotSaved)
	case p.rate.stalled && p.stock > 2*p.tol:
		a.says(Dress, "advise.dress", analysis.Say("advise.dress_why"))
	case r.n >= p.step:
		q.fill(a, t, r)
	case p.gaugedAgain >= 3:
		a.Nearly = true
		a.aside("advise.aside.no_room", analysis.Say("advise.no_room"))
	case !p.in.Checked:
		a.Nearly = true
		a.says(CheckZero, "advise.check.no_room", analysis.Say("advise.no_room"))
	default:
		a.Nearly = true
		a.says(GaugeAgain, "advise.again.no_room", analysis.Say("advise.no_room"))
	}
}

// fill turns a planned round into advice.
func (p *planner) fill(a *Advice, t *tight, r round) {
	if r.n < p.step {
		return
	}
	share := 1 - r.short + r.short*t.share
	a.Kind, a.Light = Hone, p.light
	short := int(math.Round(r.short * r.n))
	if r.short == 1 || p.noted && short > 0 && short == int(r.n) {
		a.Kind = Correct
	}
	switch {
	case !p.noted:
	case p.rate.Seconds:
		a.Seconds, a.Most, a.Short = int(r.n), int(r.most), short
	default:
		a.Strokes, a.Most, a.Short = int(r.n), int(r.most), short
	}
	a.Nearly = p.noted && r.most < 3
	a.Take = deviation(r.n * p.perStep() * share)
	a.Risk = p.risk(r.allotment, r.n)
	p.expect(a, r)
	p.remain(a)
	a.Sentence, a.Reason = p.sentence(a), p.reason(a)
}

func (p *planner) expect(a *Advice, r round) {
	for i, s := range p.sections {
		take := r.n * p.perStep() * r.share[i]
		band := 2 * math.Hypot(take*math.Hypot(p.spread(), r.doubt[i]), s.u)
		at := func(v float64) analysis.Length { return p.in.Job.Target + analysis.Length(deviation(v)) }
		a.Expected = append(a.Expected, Expected{s.depth, at(s.mean + take), at(s.mean + take - band), at(s.mean + take + band)})
	}
}

// remain estimates the strokes or seconds that are left to the target.
func (p *planner) remain(a *Advice) {
	if !p.noted || p.stock <= 0 {
		return
	}
	n := p.stock / p.perStep()
	a.Left = &Remaining{int(min(n/(1+p.spread()), 1e6)), int(math.Ceil(min(n*(1+2*p.spread()), 1e6))), p.rate.Seconds}
}

func µm(d analysis.Deviation) float64 { return analysis.Length(d).Micrometres() }
