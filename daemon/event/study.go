package event

import (
	"fmt"
	"slices"
	"strings"
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

// check refuses names that are none, as [Action.check] does.
func (a *StudyAsk) check() error {
	for _, who := range append([]string{a.Appraiser}, a.Appraisers...) {
		if utf8.RuneCountInString(who) > MostName || strings.ContainsFunc(who, Unprintable) {
			return fmt.Errorf("an appraiser's name wants one line of at most %d characters", MostName)
		}
	}
	return nil
}

// TurnAsked works out which turn is asked for.
func (st *Study) TurnAsked(a Action) (t Turn, err error) {
	who := strings.Join(strings.Fields(a.Appraiser), " ")
	if who == "" {
		who = st.Appraiser
	}
	if who == "" || a.Appraiser == "" && a.Part == "" { // whoever is due
		if t, ok := st.NextTurn(); ok {
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
	n, known := st.TrialsDone(t.Part, t.Appraiser)
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
