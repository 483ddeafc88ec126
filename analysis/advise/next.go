package advise

import (
	"math"

	"fairbore/analysis"
	"fairbore/analysis/verdict"
)

// planner is the input worked out. Sizes are µm from the target.
type planner struct {
	in     *Input
	repeat float64
	gains  []gain
	again  int // how often the newest state was gauged again
	rate   Rate
	noted  bool    // the rounds' strokes or seconds; else the step is of µm
	step   float64 // the smallest round
	light  bool    // at about half the pressure
	secs   []section

	tol, high, edge float64 // tolerance; high limit; what the largest reading may come to
	u               float64
	gauging         float64 // standard deviation of one reading from one gauging to the next
	stock           float64 // mean to target
	largest         float64
}

// The spread of a removal that the operator judges by feel, of which neither
// strokes nor seconds are noted, and the smallest round said, µm.
const (
	feltSpread = 0.35
	feltStep   = 0.1
)

// bar is what forbids a round.
type bar struct {
	do  Kind
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

// forbidden finds what forbids any advice, nil if nothing does.
func forbidden(in *Input) *bar {
	switch {
	case in.Job == nil:
		return &bar{Gauge, analysis.Say("advise.choose_job")}
	case len(in.Bars) > 0:
		return &bar{in.Bars[0].Do, in.Bars[0].Why}
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

// warm says to wait while a part may still shrink by more than shows: half as
// much again as the gauge repeats to, or a twentieth of the tolerance.
func (p *planner) warm() *bar {
	w := p.in.Warm
	if w == nil || w.Shrink <= 0 {
		return nil
	}
	if µm(w.most()) <= max(1.5*p.repeat, (p.in.Job.High-p.in.Job.Low).Micrometres()/20) {
		return nil
	}
	if w.Wait > 0 {
		return &bar{Wait, analysis.Say("advise.warm_wait", w.Wait, w.Shrink)}
	}
	return &bar{Wait, analysis.Say("advise.warm", w.Shrink)}
}

// driftPart is the part of the tolerance that zero and temperature may wander
// before anybody acts, ± (common practice).
const driftPart = 0.1

// common is the standard deviation of that, µm.
func common(j *analysis.Job) float64 {
	return driftPart / math.Sqrt(3) * (j.High - j.Low).Micrometres()
}

// follow takes the rounds in for the rate.
func (p *planner) follow() {
	in := p.in
	seconds := timed(in.Rounds, in.Prior)
	p.gauging = math.Hypot(p.repeat, common(in.Job))
	p.gains = gains(in.Rounds, p.repeat, common(in.Job), seconds)
	p.again = again(p.gains)
	f := newRates(in.Job, in.Prior, seconds)
	honed, noted := false, false
	for i := range p.gains {
		f.observe(&p.gains[i])
		honed = honed || !p.gains[i].nothing()
		noted = noted || p.gains[i].effort > 0 // also where it took too little off to tell a rate from
	}
	p.rate = f.forecast(seconds, in.Dressed)
	p.noted = noted || !honed
	if !p.noted {
		p.rate, p.step = Rate{full: felt(feltSpread), Spread: feltSpread}, feltStep
	}
}

// locate puts limits and sections as distances from the target.
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
		p.secs = append(p.secs, q)
		p.stock -= q.mean / float64(len(p.in.Form.Sections))
		p.largest = max(p.largest, q.max)
	}
	p.sectionParts()
}

// advise works out the advice by what the stop rule says of the bore.
func (p *planner) advise() Advice {
	t := p.findTight()
	a := Advice{Saved: true, Rate: &p.rate, How: p.how(&t)}
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
		p.doubt(&a, b.Stop.Reason)
	case b.Stop.Action == verdict.StopNow:
		p.doubt(&a, b.Stop.Reason)
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

// formDoubt is for a bore in size with a form limit that can't be called met:
// what is tight along the bore may still be evened out.
func (p *planner) formDoubt(a *Advice, t *tight) {
	if t.by > worth(p.in.Job) && p.even(a, t) {
		return
	}
	if p.again > 0 {
		a.says(Stop, "advise.stop.form_close", p.in.Judged.Sentence)
		return
	}
	a.says(GaugeAgain, "advise.again.form_close", p.in.Judged.Sentence)
}

// even makes a round of short strokes the advice, if there is room for one.
func (p *planner) even(a *Advice, t *tight) bool {
	if !t.real || t.where == "" || !a.Saved || p.most(p.whole()) < p.step {
		return false
	}
	p.fill(a, t, p.steps(round{spell: p.mixed(t, 1), n: p.correction(t), short: 1}))
	return a.Kind != ""
}

// doubt is for a bore past the safe high size: gauge it again, cool. Lay it aside
// when it reads over the limit itself again; or past the safe size a third
// time, by the mean of two, since the first may have been warm.
func (p *planner) doubt(a *Advice, why analysis.Phrase) {
	a.Nearly = true
	if p.again > 0 && p.largest > p.high || p.again > 1 && p.meanLargest() > p.edge || p.again >= 3 {
		a.lost(analysis.Say("advise.lost.past_safe"))
		a.aside("advise.aside.past_safe", why)
		return
	}
	a.says(GaugeAgain, "advise.again.past_safe", why)
}

// meanLargest is the mean of the largest readings of the newest two rounds.
func (p *planner) meanLargest() float64 {
	last := p.in.Rounds[len(p.in.Rounds)-2:]
	return ((last[0].Largest - p.in.Job.Target).Micrometres() + (last[1].Largest - p.in.Job.Target).Micrometres()) / 2
}

func (a *Advice) aside(sentence string, why analysis.Phrase) {
	a.says(LayAside, sentence, why)
	a.How = nil
}

// salvage works out whether the differences along and about the bore can still
// be brought inside: short strokes take the rest of the bore along, and an oval
// wants at least its own size of stock (common practice).
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

// mend is for a bore in size whose form is not: short strokes, if there is room.
func (p *planner) mend(a *Advice, t *tight) {
	if p.even(a, t) {
		return
	}
	if p.again == 0 {
		a.says(GaugeAgain, "advise.again.form", p.in.Judged.Sentence)
		return
	}
	a.lost(analysis.Say("advise.lost.form"))
	a.aside("advise.aside.form", p.in.Judged.Sentence)
}

// hone is for a bore with stock to go.
func (p *planner) hone(a *Advice, t *tight) {
	q, r := p.plan(t)
	switch {
	case !a.Saved && p.again == 0:
		a.says(GaugeAgain, "advise.again.lost", a.NotSaved)
	case !a.Saved:
		a.aside("advise.aside.lost", a.NotSaved)
	case p.rate.stalled && p.stock > 2*p.tol:
		a.says(Dress, "advise.dress", analysis.Say("advise.dress_why"))
	case r.n >= p.step:
		q.fill(a, t, r)
	case p.again < 3:
		a.Nearly = true
		a.says(GaugeAgain, "advise.again.no_room", p.noRoom())
	default:
		a.Nearly = true
		a.aside("advise.aside.no_room", p.noRoom())
	}
}

func (p *planner) noRoom() analysis.Phrase {
	return analysis.Say("advise.no_room", p.in.Judged.Sizes.Room)
}

// fill makes a planned round the advice.
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
	a.Take = deviation(r.n * p.per() * share)
	a.Risk = p.risk(r.spell, r.n)
	p.expect(a, r)
	p.remain(a)
	a.Sentence, a.Reason = p.sentence(a), p.reason(a)
}

func (p *planner) expect(a *Advice, r round) {
	for i, s := range p.secs {
		take := r.n * p.per() * r.share[i]
		band := 2 * math.Hypot(take*math.Hypot(p.spread(), r.doubt[i]), s.u)
		at := func(v float64) analysis.Length { return p.in.Job.Target + analysis.Length(deviation(v)) }
		a.Expected = append(a.Expected, Expected{s.depth, at(s.mean + take), at(s.mean + take - band), at(s.mean + take + band)})
	}
}

// remain estimates what is left to the target; for time the slower end counts.
func (p *planner) remain(a *Advice) {
	if !p.noted || p.stock <= 0 {
		return
	}
	n := p.stock / p.per()
	a.Left = &Remaining{int(min(n/(1+p.spread()), 1e6)), int(math.Ceil(min(n*(1+2*p.spread()), 1e6))), p.rate.Seconds}
}

func µm(d analysis.Deviation) float64 { return analysis.Length(d).Micrometres() }
