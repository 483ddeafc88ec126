package state

import (
	"time"

	"fairbore/analysis"
	"fairbore/analysis/advise"
	"fairbore/daemon/event"
)

// advice returns what to do next by the sizes of a bore that is measured everywhere.
func (f *Fold) advice(b *Bore, set *Settings) *advise.Advice {
	in := advise.Input{
		Job: f.Job, Judged: b.Judged, Form: b.Form, Rounds: AdviceRounds(b.Rounds, len(f.Job.Plan())),
		Repeatability: f.Repeat(&set.Gauge), Dressed: f.Dressed, Checked: !f.GaugedSince, Due: b.Master.CheckDue,
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

// AdvisedRound returns the next round with what the advice says about its honing.
func (f *Fold) AdvisedRound(set *Settings, now time.Time) event.Round {
	r := event.Round{Number: f.Round() + 1}
	if a := f.Bore(set, now).Advice; a != nil && a.Kind.Honing() {
		r.Light, r.Short, r.Ends = a.Light, a.Short, a.Short > 0 && a.Where == advise.Ends
	}
	return r
}

// RatePrior returns how fast the parts of the job so far were cut, including the one in hand.
// Before the first part of a job it returns only how much the rounds of the job before scattered.
// It is written into the next part's event, so that it survives a restart.
func (f *Fold) RatePrior(repeat analysis.Deviation) *analysis.RatePrior {
	if f.Job == nil || f.Part == nil {
		return f.HandRate
	}
	var b Bore
	f.rounds(&b)
	return advise.Learn(f.Part.Rate, f.Job, AdviceRounds(b.Rounds, len(f.Job.Plan())), repeat)
}

// AdviceRounds converts the sums of rounds into the input of the advice.
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
