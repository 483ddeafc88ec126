package state

import (
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// StudyNow is a study in progress.
type StudyNow struct {
	event.Study
	Taken  int         `json:"taken"`          // trials that were gauged
	Wanted int         `json:"wanted"`         // trials in all
	Taking bool        `json:"taking"`         // the next reading at the place belongs to the turn
	Next   *event.Turn `json:"next,omitempty"` // the turn after the present one; nil: none
}

// Studying returns the study in progress, with the readings of the part in hand counted in Done;
// nil if there is none.
func (f *Fold) Studying() *event.Study {
	if f.Study == nil || f.Study.Over {
		return nil
	}
	st := *f.Study
	st.Begun = false
	st.Done = slices.Clone(st.Done)
	for i, who := range st.Appraisers {
		for n := 1; f.Part != nil && n <= st.Trials; n++ {
			if f.trialGauged(who, n, 0) {
				st.CountReading(f.Part.Serial, i, n)
			}
		}
	}
	return &st
}

// trialGauged reports whether the part in hand has a reading of a trial that is not void, among
// those with a number above after.
func (f *Fold) trialGauged(who string, trial, after int) bool {
	return slices.ContainsFunc(f.Readings, func(r *event.Reading) bool {
		_, void := f.Voids[r.No]
		return !void && r.No > after && r.Study != nil && *r.Study == event.StudyTrial{Appraiser: who, Trial: trial}
	})
}

// turnGauged reports whether the trial of the turn was gauged.
func (f *Fold) turnGauged() bool {
	return f.trialGauged(f.Study.Appraiser, f.Study.Trial, f.Study.After)
}

// TrialOf returns which trial of the study a reading is. It returns nil if the reading is not one:
// it was taken elsewhere, of another part, after honing, or without a zero, or more readings are
// not wanted.
func (f *Fold) TrialOf(r *event.Reading) *event.StudyTrial {
	st := f.Studying()
	if st == nil || st.Appraiser == "" || r.Part != st.Part || r.Place != st.Place || r.Round != 0 || r.Mastered == 0 {
		return nil
	}
	if !f.turnGauged() {
		return &event.StudyTrial{Appraiser: st.Appraiser, Trial: st.Trial}
	}
	if n, _ := st.TrialsDone(st.Part, st.Appraiser); n < st.Trials {
		return &event.StudyTrial{Appraiser: st.Appraiser, Trial: n + 1}
	}
	return nil
}

// OutsideStudy says why a reading does not belong to the study although somebody gauges for it. It
// is zero if the reading belongs to it, or nobody gauges for a study.
func (f *Fold) OutsideStudy(r *event.Reading) analysis.Phrase {
	switch st := f.Studying(); {
	case st == nil || st.Appraiser == "" || r.Study != nil:
		return analysis.Phrase{}
	case r.Mastered == 0:
		return analysis.Say("study.outside.master")
	case r.Place != st.Place:
		return analysis.Say("study.outside.place", st.Place)
	default:
		return analysis.Say("study.outside.done", st.Appraiser, st.Part)
	}
}

// StudyNow returns the study in progress, nil if there is none.
func (f *Fold) StudyNow() *StudyNow {
	st := f.Studying()
	if st == nil {
		return nil
	}
	now := &StudyNow{Study: *st, Wanted: st.Parts * len(st.Appraisers) * st.Trials}
	for _, p := range st.Done {
		for _, n := range p.Trials {
			now.Taken += n
		}
	}
	now.Taking = st.Appraiser != "" && f.Part != nil && f.Part.Serial == st.Part && f.Verdict == nil && f.Round() == 0 && !f.turnGauged()
	if now.Taking { // the turn counts as done
		st.Done = slices.Clone(st.Done)
		st.CountReading(st.Part, slices.Index(st.Appraisers, st.Appraiser), st.Trial)
	}
	if t, ok := st.NextTurn(); ok {
		now.Next = &t
	}
	return now
}

// StudiedAt returns when the study in progress last went on: the time of its newest turn or
// reading.
func (f *Fold) StudiedAt() time.Time {
	at := f.StudyAt
	for _, r := range f.Readings {
		if r.Study != nil && r.At.After(at) {
			at = r.At
		}
	}
	return at
}

// Progress says how much of the study is done.
func (st *StudyNow) Progress() analysis.Phrase {
	if st.Since.IsZero() {
		return analysis.Say("now.study.progress", st.Taken, st.Wanted, st.Place)
	}
	return analysis.Say("now.study.progress_since", st.Taken, st.Wanted, st.Since, st.Place)
}

// caution says that a study is open, and what to do about it.
func (st *StudyNow) caution() analysis.Phrase {
	if st.Since.IsZero() {
		return analysis.Say("caution.study")
	}
	return analysis.Say("caution.study_since", st.Since)
}
