package session

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// StudyAsk are the words of the action study: with appraisers it starts one, with over it
// ends it, else it says whose turn it is, and with which part and trial.
type StudyAsk struct {
	Parts      int      `json:"parts,omitempty"`      // to be gauged, 0 for ten
	Appraisers []string `json:"appraisers,omitempty"` // who take part
	Trials     int      `json:"trials,omitempty"`     // 0 for three
	Appraiser  string   `json:"appraiser,omitempty"`  // whose turn it is, empty: as it was
	Trial      int      `json:"trial,omitempty"`      // 0: the next that is due
	Over       bool     `json:"over,omitempty"`
}

// studyIdle is how long nothing may come of a study before the action part asks whether
// it is meant to go on with it: a shift (common practice).
const studyIdle = 8 * time.Hour

// check refuses names that are none, as [Action.check] does.
func (a *StudyAsk) check() error {
	for _, who := range append([]string{a.Appraiser}, a.Appraisers...) {
		if utf8.RuneCountInString(who) > jobWord || strings.ContainsFunc(who, acts) {
			return fmt.Errorf("an appraiser's name wants one line of at most %d characters", jobWord)
		}
	}
	return nil
}

// study starts a gauge study, says whose turn it is, or ends it.
func (s *Session) study(a Action) error {
	st := s.fold.studying()
	switch {
	case len(a.Appraisers) > 0 && a.Over:
		return errors.New("start a study or end it, not both")
	case len(a.Appraisers) > 0:
		return s.startStudy(a)
	case st == nil && a.Over:
		return errors.New("no gauge study is under way to be over")
	case st == nil:
		return errors.New("no gauge study is under way; start one by naming its appraisers, and how many parts and trials")
	case a.Over:
		st.Appraiser, st.Part, st.Trial, st.After, st.Over = "", "", 0, 0, true
		s.emit(Event{Kind: Studied, Study: st})
		return nil
	}
	return s.turn(st, a)
}

// startStudy starts a study with the first turn.
func (s *Session) startStudy(a Action) error {
	f := &s.fold
	st := &Study{Begun: true, Since: s.now.Wall, Job: f.Job.ID, Parts: a.Parts, Trials: a.Trials}
	if st.Parts == 0 {
		st.Parts = usualParts
	}
	if st.Trials == 0 {
		st.Trials = usualTrials
	}
	for _, who := range a.Appraisers {
		if who = strings.Join(strings.Fields(who), " "); who != "" && !slices.ContainsFunc(st.Appraisers, func(x string) bool { return strings.EqualFold(x, who) }) {
			st.Appraisers = append(st.Appraisers, who)
		}
	}
	switch {
	case len(st.Appraisers) != len(a.Appraisers):
		return errors.New("give each appraiser a name of his own")
	case len(st.Appraisers) > mostAppraisers, st.Parts < 2 || st.Parts > mostParts, st.Trials < 2 || st.Trials > mostTrial:
		return fmt.Errorf("a gauge study has 2 to %d parts, 1 to %d appraisers and 2 to %d trials", mostParts, mostAppraisers, mostTrial)
	case f.studying() != nil && !a.Confirm:
		return ask("a gauge study is under way; leave it as it is and start another?")
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
	return s.turn(st, a)
}

// turn takes up a part for an appraiser.
func (s *Session) turn(st *Study, a Action) error {
	f := &s.fold
	if f.Job.ID != st.Job {
		return fmt.Errorf("the study is of job %s; choose that first", st.Job)
	}
	t, err := st.choose(a)
	if err != nil {
		return err
	}
	inHand := f.Part != nil && f.Part.Serial == t.Part && f.Verdict == nil && f.Round() == 0
	if open := s.open(); open != "" && !inHand && !a.Confirm {
		return ask("%s; take up part %s for the study all the same?", open, t.Part)
	}
	st.Appraiser, st.Part, st.Trial, st.After = t.Appraiser, t.Part, t.Trial, 0
	if n := len(f.Readings); inHand && n > 0 {
		st.After = f.Readings[n-1].No
		if f.Study != nil && !st.Begun { // its readings may still be struck out
			st.Done = f.Study.Done
		}
	}
	s.emit(Event{Kind: Studied, Study: st})
	if !inHand {
		s.beginSerial(t.Part)
	}
	if f.Chosen == nil || *f.Chosen != st.Place || !f.Staying {
		s.emit(Event{Kind: Placed, Place: &Choice{Place: st.Place, Stay: true}})
	}
	return nil
}

// choose works out which turn is asked for.
func (st *Study) choose(a Action) (t Turn, err error) {
	who := strings.Join(strings.Fields(a.Appraiser), " ")
	if who == "" {
		who = st.Appraiser
	}
	if who == "" || a.Appraiser == "" && a.Part == "" { // whoever is due
		if t, ok := st.next(); ok {
			who = t.Appraiser
		}
	}
	i := slices.IndexFunc(st.Appraisers, func(x string) bool { return strings.EqualFold(x, who) })
	if i < 0 {
		return t, fmt.Errorf("%q is none of the study's appraisers: %s", who, strings.Join(st.Appraisers, ", "))
	}
	t.Appraiser, t.Part = st.Appraisers[i], strings.TrimSpace(a.Part)
	if t.Part == "" {
		due, ok := st.due(t.Appraiser)
		if !ok {
			return t, fmt.Errorf("%s has gauged every part; say who gauges now, or that the study is over", t.Appraiser)
		}
		t.Part = due.Part
	}
	n, known := st.done(t.Part, t.Appraiser)
	switch t.Trial = a.Trial; {
	case !known && len(st.Done) >= st.Parts:
		return t, fmt.Errorf("part %s is beyond the %d parts of the study: %s", t.Part, st.Parts, st.serials())
	case t.Trial < 0 || t.Trial > st.Trials:
		return t, fmt.Errorf("trial %d is none of the %d trials of the study", t.Trial, st.Trials)
	case t.Trial > n+1:
		return t, fmt.Errorf("%s has to gauge part %s in trial %d first", t.Appraiser, t.Part, n+1)
	case t.Trial == 0 && n == st.Trials:
		return t, fmt.Errorf("%s has gauged part %s in all %d trials; name the trial that is to be gauged again", t.Appraiser, t.Part, n)
	case t.Trial == 0:
		t.Trial = n + 1
	}
	return t, nil
}

// partOfStudy takes up the next part while somebody gauges for a study: it is his next.
// done is false if it is to be begun as any other part.
func (s *Session) partOfStudy(a Action) (done bool, err error) {
	st := s.fold.studying()
	if st == nil || st.Appraiser == "" {
		return false, nil
	}
	if at := s.fold.studiedAt(); s.now.Wall.Sub(at) >= studyIdle && !a.Confirm {
		return true, ask("a gauge study is open, and nothing came of it since %s; take a part for it? Else end it first, by the action study", at.Format(studyTime))
	}
	_, known := st.done(strings.TrimSpace(a.Part), st.Appraiser)
	if a.Part != "" && !known && len(st.Done) >= st.Parts {
		if !a.Confirm {
			return true, ask("part %s is beyond the %d parts of the gauge study; let the study rest and begin it?", a.Part, st.Parts)
		}
		return false, nil
	}
	return true, s.turn(st, Action{Part: a.Part, Confirm: a.Confirm})
}

// restStudy notes, before the part in hand or its bore becomes another, what was gauged
// of it for a study; until the next turn nothing is.
func (s *Session) restStudy() {
	if st := s.fold.studying(); st != nil && st.Appraiser != "" {
		st.Appraiser, st.Part, st.Trial, st.After = "", "", 0, 0
		s.emit(Event{Kind: Studied, Study: st})
	}
}
