package advise_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/analysis/form"
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
	"fairbore/drivers/simulator"
)

const (
	µm = analysis.Micrometre
	mm = analysis.Millimetre
)

func dev(v float64) analysis.Deviation {
	return analysis.Deviation(math.Round(v * float64(µm)))
}

// shopJob is a job of the scenario, which is invented, with what its gauge can do.
type shopJob struct {
	*analysis.Job
	sim    *simulator.Job
	repeat float64 // µm
	u      float64 // standard, µm
}

// shopJobs are the four jobs of the scenario: limits and targets as drawn, U of
// a size (k = 2) and repeatability as assumed there.
func shopJobs(tb testing.TB) []shopJob {
	tb.Helper()
	type facts struct {
		id                   string
		variation, u, repeat float64
		blind                bool
	}
	var out []shopJob
	for _, f := range []facts{
		{"J-4107", 3, 0.9, 0.15, false},
		{"J-4112", 1, 0.63, 0.15, false},
		{"J-4120", 2, 0.7, 0.20, true},
		{"J-4131", 5, 1.6, 0.20, false},
	} {
		s, err := simulator.FindJob(f.id)
		if err != nil {
			tb.Fatal(err)
		}
		s.Variation, s.Blind = dev(f.variation), f.blind
		out = append(out, shopJob{Job: &s.Job, sim: s, repeat: f.repeat, u: f.u / 2})
	}
	return out
}

func stated(u float64) uncertainty.Stated {
	return uncertainty.Stated{Standard: dev(u), Expanded: dev(2 * u), K: 2, Level: 0.95}
}

// input makes the advice's input of readings as the session would.
func (j *shopJob) input(readings []analysis.Reading, rounds []advise.Round, rule verdict.Rule) advise.Input {
	far := ""
	if j.Blind {
		far = "bottom"
	}
	res := form.Evaluate(readings, form.Options{Repeatability: dev(j.repeat), Step: dev(0.1), Face: "front", Far: far, Length: j.Length})
	v := verdict.Judge(verdict.Input{Job: j.Job, Readings: readings, Size: stated(j.u), Form: stated(j.repeat * math.Sqrt2), Rule: rule})
	rounds = slices.Clone(rounds)
	r := &rounds[len(rounds)-1]
	r.Complete, r.Smallest, r.Largest = len(v.Missing) == 0, res.Smallest.Size, res.Largest.Size
	for _, s := range res.Sections {
		r.Sections = append(r.Sections, advise.SectionMean{Depth: s.Depth, Mean: s.Mean, N: s.N})
	}
	return advise.Input{Job: j.Job, Judged: &v, Form: &res, Rounds: rounds, U: stated(j.u), Repeatability: dev(j.repeat)}
}

// shop is a part in work, and the errors of its gauging.
type shop struct {
	job   shopJob
	bore  *simulator.Part
	hand  simulator.Hand
	rng   *rand.Rand
	rule  verdict.Rule
	zero  float64 // error of all sizes of the part, µm
	round float64 // and of this round
	cut   float64 // strokes since the stone was dressed, for the oracle
	at    time.Time
	adv   advise.Input
	eased bool          // the pressure
	said  advise.Advice // of the newest round
	dress bool          // before the next round
}

// newShop draws a part: its start, its stone and its errors differ from the
// scenario's as parts do. The errors of a size have the standard uncertainty
// that is stated: repeatability, and of the rest four fifths for the part and
// three for a round (0.8² + 0.6² = 1).
func newShop(job shopJob, rule verdict.Rule, rng *rand.Rand) *shop {
	b := job.sim.StoryPart()
	b.Start += analysis.Length(rng.NormFloat64() * 3 * float64(µm))
	rate := math.Exp(0.15 * rng.NormFloat64())
	b.FreshRate, b.GlazedRate = b.FreshRate*rate, b.GlazedRate*rate
	form := math.Exp(0.25 * rng.NormFloat64())
	for i := range b.Profile {
		b.Profile[i].Off *= form
	}
	b.Oval *= form
	s := &shop{job: job, bore: b, rng: rng, rule: rule, at: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	s.hand = simulator.Hand{Scatter: 0.10 + 0.10*rng.Float64(), Rest: 0.35 + 0.3*rng.Float64(), Dwell: 1 + 0.2*rng.Float64()}
	s.adv.Prior = &analysis.RatePrior{Log: math.Log(job.sim.StoryPart().FreshRate), Spread: 0.25, Parts: 5}
	s.zero = 0.8 * s.common() * rng.NormFloat64()
	return s
}

// common is the part of u that is not repeatability.
func (s *shop) common() float64 {
	return math.Sqrt(max(0, s.job.u*s.job.u-s.job.repeat*s.job.repeat))
}

// gauge gauges the plan and adds the round to the part's.
func (s *shop) gauge(strokes int, dressed bool) {
	s.round = 0.6 * s.common() * s.rng.NormFloat64()
	readings := make([]analysis.Reading, 0, 16)
	for _, p := range s.job.Plan() {
		v := s.bore.Size(p)
		v += analysis.Length((s.zero + s.round + s.job.repeat*s.rng.NormFloat64()) * float64(µm))
		v = (v + 500) / 1000 * 1000 // shown to 0.1 µm
		readings = append(readings, analysis.Reading{Place: p, Size: v, Round: len(s.adv.Rounds)})
	}
	rounds := append(s.adv.Rounds, advise.Round{Number: len(s.adv.Rounds), Strokes: strokes, Dressed: dressed, Light: s.said.Light, Short: s.said.Short, Ends: s.said.Where == advise.Ends, At: s.at})
	prior := s.adv.Prior
	s.adv = s.job.input(readings, rounds, s.rule)
	s.adv.Prior = prior
	s.warmth()
}

// warmth is what two thermometers, ± 0.3 K between them, say of the part.
func (s *shop) warmth() {
	const tau = 0.3
	k := max(0, s.bore.Warmth()+tau/2*s.rng.NormFloat64())
	enough := max(0.15, 1e-9+max(1.5*s.job.repeat, (s.job.High-s.job.Low).Micrometres()/20)/s.bore.Expansion-tau)
	var wait time.Duration
	if k > enough {
		wait = time.Duration(math.Log(2*k/enough)*s.bore.Cooling.Seconds()*1e9) + time.Minute
	}
	s.adv.Warm = &advise.Warm{Shrink: dev(k * s.bore.Expansion), Within: dev(tau * s.bore.Expansion), Wait: wait}
	if k < enough {
		s.adv.Warm = nil
	}
}

// hone does a spell of honing.
func (s *shop) hone(strokes, short int, light bool, at []analysis.Stretch) {
	if light && !s.eased { // and so to the end
		s.eased = true
		s.hand.Press = 0.5 * math.Exp(0.2*s.rng.NormFloat64())
	}
	s.cut += float64(s.hand.Work(s.bore, strokes-short, nil, s.rng) + s.hand.Work(s.bore, short, at, s.rng))
	s.at = s.at.Add(5 * time.Minute)
}

// settle lets the part cool until the advice says no more of it, and gauges it.
func (s *shop) settle(next func() advise.Advice, strokes int, dressed bool) advise.Advice {
	rounds := s.adv.Rounds
	s.gauge(strokes, dressed)
	a := next()
	for range 10 {
		if a.Kind != advise.Wait {
			break
		}
		s.bore.Cool(max(a.Wait, time.Minute))
		s.at = s.at.Add(a.Wait)
		s.adv.Rounds = rounds
		s.gauge(strokes, dressed)
		a = next()
	}
	return a
}

// roughing: nobody dresses a stone for the last rounds.
func (s *shop) roughing() bool {
	return s.job.Target-s.adv.Form.Mean > 2*(s.job.High-s.job.Low)
}

// truth returns the true extreme sizes of the planned places, at the
// temperature of the ring, less the target, in µm.
func (s *shop) truth() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	grown := s.bore.Warmth() * s.bore.Expansion
	for _, p := range s.job.Plan() {
		v := (s.bore.Size(p) - s.job.Target).Micrometres() - grown
		low, high = min(low, v), max(high, v)
	}
	return low, high
}

// outcome is how a part ended.
type outcome struct {
	rounds, gauged     int
	good, over, under  bool
	aside, form, wrong bool // laid aside; of true form; stopped without an end
	minutes            float64
	largest            float64
}

// work hones the part by a planner to its end.
func (s *shop) work(next func() advise.Advice) (o outcome) {
	start := s.at
	a := s.settle(next, 0, false)
	for o.gauged = 1; o.gauged < 60; o.gauged++ {
		if a.Kind == advise.Stop || a.Kind == advise.LayAside {
			break
		}
		switch {
		case a.Kind.Honing():
			dressed := s.dress
			if !dressed && s.roughing() && s.rng.Float64() < 0.06 { // someone dresses and says so
				s.bore.Dress()
				s.cut, dressed, s.dress, s.adv.Dressed = 0, true, true, true
				a = next()
				o.gauged--
				continue
			}
			s.said = a
			s.hone(a.Strokes, a.Short, a.Light, a.At)
			s.dress, s.adv.Dressed = false, false
			o.rounds++
			a = s.settle(next, a.Strokes, dressed)
			s.said = advise.Advice{}
			s.adv.Dressed = false
		case a.Kind == advise.Dress:
			s.bore.Dress()
			s.cut, s.dress, s.adv.Dressed = 0, true, true
			a = next()
		default: // gauge again, cool
			s.bore.Cool(2 * s.bore.Cooling)
			a = s.settle(next, 0, false)
		}
	}
	low, high := s.truth()
	lo, hi := (s.job.Low - s.job.Target).Micrometres(), (s.job.High - s.job.Target).Micrometres()
	o.over, o.under = high > hi, low < lo
	o.good = !o.over && !o.under && a.Kind == advise.Stop
	o.aside, o.wrong = a.Kind == advise.LayAside, o.gauged >= 60
	limit := s.job.Variation
	o.form = limit == 0 || high-low <= analysis.Length(limit).Micrometres()
	o.minutes, o.largest = s.at.Sub(start).Minutes(), high
	return o
}
