package state

import (
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// StudyNow is a study under way.
type StudyNow struct {
	event.Study
	Taken  int         `json:"taken"`          // trials that are gauged
	Wanted int         `json:"wanted"`         // trials in all
	Taking bool        `json:"taking"`         // the next reading at the place is that of the turn
	Next   *event.Turn `json:"next,omitempty"` // due next, after the turn if that is not gauged yet; nil: none
}

// Studying is the study under way as it stands, with the readings of the part in hand
// counted in Done; nil if there is none.
func (f *Fold) Studying() *event.Study {
	if f.Study == nil || f.Study.Over {
		return nil
	}
	st := *f.Study
	st.Begun = false
	st.Done = slices.Clone(st.Done)
	for i, who := range st.Appraisers {
		for n := 1; f.Part != nil && n <= st.Trials; n++ {
			if f.tried(who, n) {
				st.CountReading(f.Part.Serial, i, n)
			}
		}
	}
	return &st
}

// tried reports whether the part in hand has a reading that stands of a trial.
func (f *Fold) tried(who string, trial int) bool {
	return slices.ContainsFunc(f.Readings, func(r *event.Reading) bool {
		_, void := f.Voids[r.No]
		return !void && r.Study != nil && *r.Study == event.StudyTrial{Appraiser: who, Trial: trial}
	})
}

// TrialOf is what a reading is of the study, nil if it is not of it: elsewhere, of another
// part, honed since, without a zero, or more than are wanted.
func (f *Fold) TrialOf(r *event.Reading) *event.StudyTrial {
	st := f.Studying()
	if st == nil || st.Appraiser == "" || r.Part != st.Part || r.Place != st.Place || r.Round != 0 || r.Mastered == 0 {
		return nil
	}
	if !f.turned() {
		return &event.StudyTrial{Appraiser: st.Appraiser, Trial: st.Trial}
	}
	if n, _ := st.TrialsDone(st.Part, st.Appraiser); n < st.Trials {
		return &event.StudyTrial{Appraiser: st.Appraiser, Trial: n + 1}
	}
	return nil
}

// OutsideStudy says that a reading is not of the study although somebody gauges for it, zero
// if it is, or nobody does.
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

// turned reports whether the trial of the turn is gauged.
func (f *Fold) turned() bool {
	return slices.ContainsFunc(f.Readings, func(r *event.Reading) bool {
		_, void := f.Voids[r.No]
		return !void && r.No > f.Study.After && r.Study != nil && *r.Study == event.StudyTrial{Appraiser: f.Study.Appraiser, Trial: f.Study.Trial}
	})
}

// StudyNow tells of the study under way, nil if there is none.
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
	now.Taking = st.Appraiser != "" && f.Part != nil && f.Part.Serial == st.Part && f.Verdict == nil && f.Round() == 0 && !f.turned()
	if now.Taking { // as it will be then
		st.Done = slices.Clone(st.Done)
		st.CountReading(st.Part, slices.Index(st.Appraisers, st.Appraiser), st.Trial)
	}
	if t, ok := st.NextTurn(); ok {
		now.Next = &t
	}
	return now
}

// StudiedAt is when the study under way last went on: its newest turn, or reading.
func (f *Fold) StudiedAt() time.Time {
	at := f.StudyAt
	for _, r := range f.Readings {
		if r.Study != nil && r.At.After(at) {
			at = r.At
		}
	}
	return at
}

// caution says that a study is open, and what can be done about it.
func (st *StudyNow) caution() analysis.Phrase {
	if st.Since.IsZero() {
		return analysis.Say("caution.study")
	}
	return analysis.Say("caution.study_since", st.Since)
}
