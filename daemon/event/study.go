package event

import (
	"slices"
	"strings"
	"unicode/utf8"

	"fairbore/analysis"
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
			return analysis.Say("study.name", MostName)
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
		return t, analysis.Say("study.no_appraiser", who, strings.Join(st.Appraisers, ", "))
	}
	t.Appraiser, t.Part = st.Appraisers[i], strings.TrimSpace(a.Part)
	if t.Part == "" {
		due, ok := st.due(t.Appraiser)
		if !ok {
			return t, analysis.Say("study.all_parts", t.Appraiser)
		}
		t.Part = due.Part
	}
	n, known := st.TrialsDone(t.Part, t.Appraiser)
	switch t.Trial = a.Trial; {
	case !known && len(st.Done) >= st.Parts:
		return t, analysis.Say("study.beyond", t.Part, st.Parts, st.serials())
	case t.Trial < 0 || t.Trial > st.Trials:
		return t, analysis.Say("study.no_trial", t.Trial, st.Trials)
	case t.Trial > n+1:
		return t, analysis.Say("study.trial_first", t.Appraiser, t.Part, n+1)
	case t.Trial == 0 && n == st.Trials:
		return t, analysis.Say("study.all_trials", t.Appraiser, t.Part, n)
	case t.Trial == 0:
		t.Trial = n + 1
	}
	return t, nil
}
