package session

import (
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// studyIdle is how long a study may be idle before the action "part" asks whether it goes on: one
// shift (common practice).
const studyIdle = 8 * time.Hour

// study starts a gauge study, says whose turn it is, or ends it.
func (s *Session) study(a event.Action) error {
	st := s.fold.Studying()
	switch {
	case len(a.Appraisers) > 0 && a.Over:
		return analysis.Say("study.both")
	case len(a.Appraisers) > 0:
		return s.startStudy(a)
	case st == nil && a.Over:
		return analysis.Say("study.none_to_end")
	case st == nil:
		return analysis.Say("study.none")
	case a.Over:
		st.Appraiser, st.Part, st.Trial, st.After, st.Over = "", "", 0, 0, true
		s.emit(event.Event{Kind: event.Studied, Study: st})
		return nil
	}
	return s.takeTurn(st, a)
}

// startStudy starts a study with its first turn.
func (s *Session) startStudy(a event.Action) error {
	f := &s.fold
	st := &event.Study{Begun: true, Since: s.now.Wall, Job: f.Job.ID, Parts: a.Parts, Trials: a.Trials}
	if st.Parts == 0 {
		st.Parts = event.UsualParts
	}
	if st.Trials == 0 {
		st.Trials = event.UsualTrials
	}
	for _, who := range a.Appraisers {
		if who = strings.Join(strings.Fields(who), " "); who != "" && !slices.ContainsFunc(st.Appraisers, func(x string) bool { return strings.EqualFold(x, who) }) {
			st.Appraisers = append(st.Appraisers, who)
		}
	}
	switch {
	case len(st.Appraisers) != len(a.Appraisers):
		return analysis.Say("study.names")
	case len(st.Appraisers) > event.MostAppraisers, st.Parts < 2 || st.Parts > event.MostParts, st.Trials < 2 || st.Trials > event.MostTrial:
		return analysis.Say("study.bounds", event.MostParts, event.MostAppraisers, event.MostTrial)
	case f.Studying() != nil && !a.Confirm:
		return ask("ask.study_again")
	}
	place := a.Place
	if place == nil {
		place = f.Due()
	}
	if place == nil {
		place = &f.Job.Plan()[0]
	}
	st.Place = *place
	if err := s.gaugeable(st.Place); err != nil {
		return err
	}
	return s.takeTurn(st, a)
}

// takeTurn makes a part the one that an appraiser gauges now.
func (s *Session) takeTurn(st *event.Study, a event.Action) error {
	f := &s.fold
	if f.Job.ID != st.Job {
		return analysis.Say("study.other_job", st.Job)
	}
	t, err := st.TurnAsked(a)
	if err != nil {
		return err
	}
	inHand := f.Part != nil && f.Part.Serial == t.Part && f.Verdict == nil && f.Round() == 0
	if open := s.unfinished(); !open.IsZero() && !inHand && !a.Confirm {
		return ask("ask.study_part", open, t.Part)
	}
	st.Appraiser, st.Part, st.Trial, st.After = t.Appraiser, t.Part, t.Trial, 0
	if n := len(f.Readings); inHand && n > 0 {
		st.After = f.Readings[n-1].No
		if f.Study != nil && !st.Begun { // its readings may still be voided
			st.Done = f.Study.Done
		}
	}
	s.emit(event.Event{Kind: event.Studied, Study: st})
	if !inHand {
		s.beginSerial(t.Part, nil, analysis.PartPapers{})
	}
	if f.Chosen == nil || *f.Chosen != st.Place || !f.Staying {
		s.emit(event.Event{Kind: event.Placed, Place: &event.Choice{Place: st.Place, Stay: true}})
	}
	return nil
}

// nextStudyPart makes the appraiser's next part the one in hand, while somebody gauges for a study.
// done is false if the part is to be begun as any other part.
func (s *Session) nextStudyPart(a event.Action) (done bool, err error) {
	st := s.fold.Studying()
	if st == nil || st.Appraiser == "" {
		return false, nil
	}
	if at := s.fold.StudiedAt(); s.now.Wall.Sub(at) >= studyIdle && !a.Confirm {
		return true, ask("ask.study_idle", at)
	}
	_, known := st.TrialsDone(strings.TrimSpace(a.Part), st.Appraiser)
	if a.Part != "" && !known && len(st.Done) >= st.Parts {
		if !a.Confirm {
			return true, ask("ask.beyond_study", a.Part, st.Parts)
		}
		return false, nil
	}
	return true, s.takeTurn(st, event.Action{Part: a.Part, Confirm: a.Confirm})
}

// pauseStudy records what was gauged of the part in hand for a study, before that part or its bore
// changes. Nothing counts for the study until the next turn.
func (s *Session) pauseStudy() {
	if st := s.fold.Studying(); st != nil && st.Appraiser != "" {
		st.Appraiser, st.Part, st.Trial, st.After = "", "", 0, 0
		s.emit(event.Event{Kind: event.Studied, Study: st})
	}
}
