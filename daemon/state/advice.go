package state

import (
	"time"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/daemon/event"
)

// advice says what to do next, as far as that can be said.
func (f *Fold) advice(b *Bore, set *Settings) *advise.Advice {
	if f.Verdict != nil {
		return nil
	}
	in := advise.Input{
		Job: f.Job, Judged: b.Judged, Form: b.Form, Rounds: AdviceRounds(b.Rounds, len(f.Job.Plan())),
		Repeatability: f.Repeat(&set.Gauge), Bars: f.bars(b), Dressed: f.Dressed,
	}
	if b.U != nil {
		in.U = *b.U
	}
	if f.Part != nil {
		in.Prior = f.Part.Rate
	}
	if c := b.Cooling; c != nil && c.Usable && !c.Ready && b.Cool == nil {
		in.Warm = &advise.Warm{Shrink: c.Remaining, Within: max(c.Most-c.Remaining, 0), Wait: c.Wait}
	}
	a := advise.Next(in)
	return &a
}

// AdvisedRound is the next round as far as its honing was advised.
func (f *Fold) AdvisedRound(set *Settings, now time.Time) event.Round {
	r := event.Round{Number: f.Round() + 1}
	if a := f.Bore(set, now).Advice; a != nil && a.Kind.Honing() {
		r.Light, r.Short, r.Ends = a.Light, a.Short, a.Short > 0 && a.Where == advise.Ends
	}
	return r
}

// RatePrior is how fast the parts of the job so far were cut, the one in hand included;
// before its first, how the hand scattered in another.
// It goes into the next part's event, so that it outlasts a restart.
func (f *Fold) RatePrior(repeat analysis.Deviation) *analysis.RatePrior {
	if f.Job == nil || f.Part == nil {
		return f.Hand
	}
	var b Bore
	f.rounds(&b)
	return advise.Learn(f.Part.Rate, f.Job, AdviceRounds(b.Rounds, len(f.Job.Plan())), repeat)
}

// bars are why nothing may be advised now, and what to do instead.
func (f *Fold) bars(b *Bore) (bars []advise.Bar) {
	bar := func(do advise.ActionKind, why analysis.Phrase) { bars = append(bars, advise.Bar{Do: do, Why: why}) }
	switch {
	case f.Running != nil:
		bar(advise.CheckZero, analysis.Say("advise.read_ring", f.Running.Ring.ID))
	case !b.Master.OK:
		bar(advise.CheckZero, b.Master.Why)
	case f.Known && f.Gauge.Lost:
		bar(advise.GaugeAgain, gaugeLost(&f.Gauge))
	case b.Basis != b.Round:
		bar(advise.Gauge, analysis.Say("advise.gauge_this_round", b.Round))
	case f.Question(nil) != nil:
		bar(advise.Gauge, f.Question(nil).Ask)
	case b.Sizes == nil:
		bar(advise.Gauge, analysis.Say("advise.gauge_the_bore"))
	}
	return bars
}

// AdviceRounds turns the sums of rounds into what advice is made from.
func AdviceRounds(sums []RoundSum, places int) []advise.Round {
	out := make([]advise.Round, len(sums))
	for i, s := range sums {
		out[i] = advise.Round{
			Number: s.Number, Strokes: s.Strokes, Seconds: s.Seconds, Dressed: s.Dressed, Light: s.Light, Short: s.Short, Ends: s.Ends, At: s.At,
			Smallest: s.Smallest, Largest: s.Largest, Complete: s.Readings == places,
			Sections: make([]advise.SectionMean, len(s.Sections)),
		}
		for k, m := range s.Sections {
			out[i].Sections[k] = advise.SectionMean(m)
		}
	}
	return out
}
