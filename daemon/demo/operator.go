package demo

import (
	"context"
	"fmt"
	"hash/fnv"
	"io"
	"math"
	"math/rand/v2"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/capture"
	"fairbore/daemon"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/daemon/web"
	"fairbore/drivers/simulator"
)

// operator plays a toolmaker at a station, with gauge, hand and part. The operator does what the
// page says: gauges the place that it names, hones as much and where it advises, and checks the
// zero and the temperature when it asks.
type operator struct {
	station, title string
	job            *simulator.Job
	line           io.WriteCloser
	options        *Options
	story          *narrator

	d     *daemon.Daemon
	sub   web.Subscription
	seq   uint64        // of the newest event seen
	live  event.Live    // newest
	hint  string        // the page's newest hint during a visit
	said  bool          // an advice was told
	begun time.Time     // start of the honing or visit that is played
	at    time.Duration // how far it has come, as it is played: --speed leaves it as it is
	past  time.Duration // what was played before it

	part   string
	play   simulator.Play
	bore   *simulator.Part
	hand   simulator.Hand
	honing *rand.Rand
	visits int // to this part
}

// work plays part after part or, with Once, until the first is accepted.
func (p *operator) work(ctx context.Context, d *daemon.Daemon) error {
	p.d, p.sub = d, d.Subscribe(p.station)
	defer p.sub.Close()
	p.sleep(ctx, time.Second) // after a silence the driver need not doubt the first frame
	for n := 1; ; n++ {
		p.part = fmt.Sprintf("%03d", n)
		accepted, err := p.onePart(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			return fmt.Errorf("%s, part %s: %w", p.station, p.part, err)
		case p.options.Once && accepted:
			return nil
		case p.options.Once && n == partsMost:
			return fmt.Errorf("%s: none of %d parts was accepted", p.station, n)
		}
		p.start()
		p.until(ctx, 20*time.Second)
	}
}

const (
	partsMost = 5  // parts in a row that Once may put on hold
	stepsMost = 99 // steps of a part
)

// shopTemperature is the temperature of the demo's rings and of a part that has cooled down.
const shopTemperature = 20 * analysis.Celsius

// onePart plays a part until its verdict.
func (p *operator) onePart(ctx context.Context) (accepted bool, err error) {
	p.draw()
	ring := shopTemperature
	if err := p.do(ctx, event.Action{Do: "part", Part: p.part, Confirm: true}); err != nil {
		return false, err
	}
	if err := p.do(ctx, event.Action{Do: "temperature", Warmth: event.Warmth{Ring: &ring}}); err != nil {
		return false, err
	}
	if err := p.readRing(ctx, "master"); err != nil {
		return false, err
	}
	for range stepsMost {
		b, err := p.fresh(ctx)
		if err != nil || ctx.Err() != nil {
			return false, err
		}
		if b.Verdict != nil && b.Now.Is != state.CheckAfter {
			return b.Verdict.Accepted() && !b.Master.Doubted, nil
		}
		if err := p.step(ctx, b); err != nil {
			return false, err
		}
	}
	return false, fmt.Errorf("no end after %d steps: %s", stepsMost, p.d.Bore(p.station).Why)
}

// draw draws the properties of part and hand at random from the seed.
func (p *operator) draw() {
	rng := p.random("part")
	p.bore, p.hand = p.job.Part(rng)
	if p.options.nearly {
		p.nearly()
	}
	p.play = simulator.Play{Button: p.options.capture() == capture.Button.String(), Brisk: true, Zero: analysis.Length(rng.IntN(9)-4) * analysis.Micrometre / 10}
	if handsVary {
		p.play.Hands = p.hands()
	}
	p.honing, p.visits = p.random("honing"), 0
}

// handsVary says that the operators rock as people do, each differently, until the tone. Otherwise
// they swing like pendulums.
const handsVary = true

// hands returns how the operator rocks in a visit: in every second visit in the operator's own way,
// in the others in any way.
func (p *operator) hands() []simulator.Family {
	all := []simulator.Family{simulator.MinimumJerk, simulator.EndRests, simulator.Pausing, simulator.Skewed, simulator.Changing, simulator.TurnsOnce}
	h := fnv.New64a()
	fmt.Fprint(h, p.station)
	own := all[h.Sum64()%uint64(len(all))]
	for range len(all) {
		all = append(all, own)
	}
	return all
}

// nearly brings the part to just below its low limit, and into form.
func (p *operator) nearly() {
	p.bore.Profile, p.bore.Oval = nil, 0
	p.bore.Start = p.job.Low - (p.job.High-p.job.Low)/10
}

// random returns the random source for one purpose. Each purpose has its own, so that a visit
// spoiled by a busy machine changes nothing else.
func (p *operator) random(what string) *rand.Rand {
	h := fnv.New64a()
	fmt.Fprint(h, p.station, "/", p.part, "/", what)
	return rand.New(rand.NewPCG(p.options.Seed, h.Sum64()))
}

// step does the next thing that the page asks for.
func (p *operator) step(ctx context.Context, b *state.Bore) error {
	switch b.Now.Do {
	case "master":
		return p.readRing(ctx, "master")
	case "check":
		p.tell(b)
		return p.readRing(ctx, "check")
	case "round":
		p.tell(b)
		return p.hone(ctx, b.Advice)
	case "dressed":
		p.tell(b)
		p.bore.Dress()
		return p.do(ctx, event.Action{Do: "dressed"})
	case "accept", "disposition":
		return p.judge(ctx, b)
	}
	if b.Complete && b.Basis == b.Round { // too close to call, or warm
		p.tell(b)
		p.cool(ctx)
	}
	return p.gauge(ctx)
}

// tell prints what is advised and done.
func (p *operator) tell(b *state.Bore) {
	what := "advice"
	if !p.said {
		p.said, what = true, "first advice"
	}
	p.story.tell(p, "%s: %s  %s", what, b.Now.Sentence, b.Now.Reason)
}

// judge accepts the part, or puts it on hold for the reason that the program gives.
func (p *operator) judge(ctx context.Context, b *state.Bore) error {
	a := event.Action{Do: "accept"}
	if b.State != event.InSize {
		a = event.Action{Do: "disposition", Outcome: event.OnHold, Reason: fmt.Sprintf("%s: %s", b.State, b.Why)}
	}
	return p.do(ctx, a)
}

// hone hones as advised: first over the whole length, then with short strokes.
func (p *operator) hone(ctx context.Context, a *advise.Advice) error {
	if a.Light && p.hand.Press == 0 { // and so on to the end
		p.hand.Press = 0.5 * math.Exp(0.2*p.honing.NormFloat64())
	}
	meant := a.Strokes
	if meant == 0 { // the advice says only how much to remove
		meant = max(1, int(math.Round(analysis.Length(a.Take).Micrometres()/p.bore.FreshRate)))
	}
	p.story.detail(p, "hones %d strokes", meant)
	p.start()
	done := p.hand.Work(p.bore, meant-a.Short, nil, p.honing) + p.hand.Work(p.bore, a.Short, a.At, p.honing)
	took := time.Duration(done) * time.Minute / time.Duration(p.job.Minute)
	p.until(ctx, took)
	return p.do(ctx, event.Action{Do: "round", Strokes: meant, Seconds: math.Round(took.Seconds()), Confirm: true})
}

const (
	oilBath = 33  // how many times faster than still air oil at shop temperature cools (12 and 400 W/m²K, common practice)
	coolTo  = 0.1 // in K, for the end of a part
)

// cool puts the part into oil at the shop's temperature until it has cooled.
func (p *operator) cool(ctx context.Context) {
	if p.bore.Warmth() <= coolTo {
		return
	}
	tau := p.bore.Cooling / oilBath
	wait := time.Duration(math.Log(p.bore.Warmth()/coolTo) * float64(tau))
	p.bore.Cool(wait * oilBath)
	p.start()
	p.until(ctx, wait)
}

// gauge gauges the plan, or the rest of it, each place as the page names it. A complete plan is
// gauged again. While there is much to remove the part may be warm and its temperature is measured;
// near size it is cooled first.
func (p *operator) gauge(ctx context.Context) error {
	if p.near() {
		p.cool(ctx)
	}
	part := shopTemperature + analysis.Temperature(math.Round(10*p.bore.Warmth()))*analysis.Celsius/10
	if err := p.do(ctx, event.Action{Do: "temperature", Warmth: event.Warmth{Part: &part}}); err != nil {
		return err
	}
	for again := true; ctx.Err() == nil; again = false {
		b, err := p.fresh(ctx)
		if err != nil || b == nil || !b.Master.OK || b.Complete && !again {
			return err
		}
		place := b.Job.Plan()[0]
		if b.Next != nil {
			place = *b.Next
		}
		if err := p.visitPlace(ctx, place); err != nil {
			return err
		}
	}
	return nil
}

// near reports whether the part is within two tolerances of its target.
func (p *operator) near() bool {
	middle := p.bore.Size(analysis.Place{Depth: p.job.Length / 2})
	return (p.job.Low+p.job.High)/2-middle < 2*(p.job.High-p.job.Low)
}

func (p *operator) do(ctx context.Context, a event.Action) error {
	r := p.ask(ctx, a)
	if r.Why.Code == "action.person.needed" { // at the start, and when the shift is over
		p.ask(ctx, event.Action{Do: "person", Person: worksHere})
		r = p.ask(ctx, a)
	}
	if !r.Done && ctx.Err() == nil {
		return fmt.Errorf("%s: %s", a.Do, r.Why)
	}
	return nil
}

// worksHere is the person of the demo's shop whom the operators play.
const worksHere = "first-shift"

// ask asks for an action until it is recorded or refused.
func (p *operator) ask(ctx context.Context, a event.Action) event.Reply {
	a.Source = "demo"
	r := p.d.Do(ctx, p.station, a)
	for a.ID = r.ID; r.Pending && ctx.Err() == nil; {
		r = p.d.Do(ctx, p.station, a)
	}
	return r
}

// scaled returns how long something takes at the speed of the demo.
func (p *operator) scaled(d time.Duration) time.Duration {
	return time.Duration(float64(d) / p.options.Speed)
}

// start begins something that is played.
func (p *operator) start() {
	p.begun, p.past, p.at = time.Now(), p.past+p.at, 0
}

// until waits for a moment of the honing or visit that is played, counted from its start.
func (p *operator) until(ctx context.Context, at time.Duration) {
	p.at = at
	p.sleep(ctx, time.Until(p.begun.Add(p.scaled(at))))
}

func (p *operator) sleep(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}
