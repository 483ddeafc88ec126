package event

import (
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"fairbore/analysis"
)

// Study is the state of a gauge repeatability and reproducibility study: the same appraisers gauge
// the same parts at one place, each part in several trials (ISO 22514-7; the terms are those of
// AIAG, Measurement Systems Analysis, ch. III B). Each event has all of it, so that the newest
// event has everything except the readings of the part in hand.
type Study struct {
	Begun bool `json:"begun,omitempty"` // the study begins with this event
	Over  bool `json:"over,omitempty"`  // the study ends with this event
	// Since is when the study began. It stays open until somebody ends it, since appraisers of
	// several shifts may take part.
	Since time.Time `json:"since,omitzero"`

	// The plan.
	Job        string         `json:"job"`
	Place      analysis.Place `json:"position"` // where every part is gauged
	Parts      int            `json:"parts"`    // number of parts to gauge
	Appraisers []string       `json:"appraisers"`
	Trials     int            `json:"trials"` // trials of each part by each appraiser

	// The turn: who gauges which part from now on, and in which trial. Appraiser is empty while the
	// study is paused; readings then do not belong to it.
	Appraiser string `json:"appraiser,omitempty"`
	Part      string `json:"part,omitempty"`
	Trial     int    `json:"trial,omitempty"`
	After     int    `json:"after,omitempty"` // number of the last reading of the part before the turn

	// Done are the parts gauged so far, in their order. The readings of the part in hand are not
	// counted.
	Done []StudyPart `json:"done,omitempty"`
}

// StudyPart is a part of a study, and how many trials of it each appraiser has done, in the order
// of Study.Appraisers.
type StudyPart struct {
	Part   string `json:"part"`
	Trials []int  `json:"trials"`
}

// StudyTrial says which trial of the study a reading is. The reading itself names the part. Of two
// readings with the same part, appraiser and trial the later counts.
type StudyTrial struct {
	Appraiser string `json:"appraiser"`
	Trial     int    `json:"trial"`
}

// Sizes of a study: the usual ones (common practice), and the largest.
const (
	UsualParts, UsualTrials              = 10, 3
	MostParts, MostAppraisers, MostTrial = 50, 10, 10
)

// Turn says who gauges which part in which trial.
type Turn struct {
	Appraiser string `json:"appraiser"`
	Part      string `json:"part"`
	Trial     int    `json:"trial"`
}

// Phrase returns what an event of a study says.
func (st *Study) Phrase() analysis.Phrase {
	switch {
	case st.Over:
		return analysis.Say("study.over")
	case st.Begun:
		return analysis.Say("study.starts", st.Parts, len(st.Appraisers), st.Trials, st.Place, st.Appraiser, st.Part, st.Trial)
	case st.Appraiser == "":
		return analysis.Say("study.rests")
	}
	return analysis.Say("study.turn", st.Appraiser, st.Part, st.Trial)
}

// CountReading counts a trial of a part by the appraiser with index i. Trials are counted in order:
// a missing one stays due.
func (st *Study) CountReading(part string, i, trial int) {
	at := slices.IndexFunc(st.Done, func(p StudyPart) bool { return p.Part == part })
	if at < 0 {
		at = len(st.Done)
		st.Done = append(st.Done, StudyPart{part, make([]int, len(st.Appraisers))})
	}
	if p := &st.Done[at]; i < len(p.Trials) && p.Trials[i] == trial-1 {
		p.Trials = slices.Clone(p.Trials)
		p.Trials[i] = trial
	}
}

// TrialsDone returns how many trials of a part an appraiser has done, and whether the part already
// belongs to the study.
func (st *Study) TrialsDone(part, who string) (n int, known bool) {
	i := slices.Index(st.Appraisers, who)
	for _, p := range st.Done {
		if p.Part == part && i >= 0 && i < len(p.Trials) {
			return p.Trials[i], true
		}
	}
	return 0, false
}

// due returns what an appraiser is to gauge next, false if everything is done. Each part is gauged
// once before any is gauged a second time, so that the appraiser does not remember the values.
func (st *Study) due(who string) (t Turn, ok bool) {
	for trial := 1; trial <= st.Trials; trial++ {
		for _, p := range st.Done {
			if n, _ := st.TrialsDone(p.Part, who); n < trial {
				return Turn{who, p.Part, n + 1}, true
			}
		}
		if len(st.Done) < st.Parts { // a part that nobody has gauged yet
			return Turn{who, st.fresh(), 1}, true
		}
	}
	return Turn{}, false
}

// fresh returns a name for a part without a serial number: the next number, as in tables of
// studies.
func (st *Study) fresh() string {
	for n := len(st.Done) + 1; ; n++ {
		name := strconv.Itoa(n)
		if _, known := st.TrialsDone(name, st.Appraisers[0]); !known {
			return name
		}
	}
}

// NextTurn returns the turn that is due: of the appraiser who gauges now, then of the others in
// their order.
func (st *Study) NextTurn() (t Turn, ok bool) {
	for _, who := range append([]string{st.Appraiser}, st.Appraisers...) {
		if slices.Contains(st.Appraisers, who) {
			if t, ok = st.due(who); ok {
				return t, true
			}
		}
	}
	return t, false
}

func (st *Study) serials() string {
	var names []string
	for _, p := range st.Done {
		names = append(names, p.Part)
	}
	return strings.Join(names, ", ")
}

// StudyRequest has the arguments of the action "study". With Appraisers it starts a study, with
// Over it ends it; otherwise it says whose turn it is, with which part and trial.
type StudyRequest struct {
	Parts      int      `json:"parts,omitempty"`      // parts to gauge, 0 for ten
	Appraisers []string `json:"appraisers,omitempty"` // who takes part
	Trials     int      `json:"trials,omitempty"`     // 0 for three
	Appraiser  string   `json:"appraiser,omitempty"`  // whose turn it is, empty: as it was
	Trial      int      `json:"trial,omitempty"`      // 0: the next trial that is due
	Over       bool     `json:"over,omitempty"`
}

// check refuses names that are too long or can't be shown, as [Action.Check] does.
func (a *StudyRequest) check() error {
	for _, who := range append([]string{a.Appraiser}, a.Appraisers...) {
		if utf8.RuneCountInString(who) > MostName || strings.ContainsFunc(who, analysis.Invisible) {
			return analysis.Say("study.name", MostName)
		}
	}
	return nil
}

// TurnAsked works out which turn an action asks for.
func (st *Study) TurnAsked(a Action) (t Turn, err error) {
	who := strings.Join(strings.Fields(a.Appraiser), " ")
	if who == "" {
		who = st.Appraiser
	}
	if who == "" || a.Appraiser == "" && a.Part == "" { // take whoever is due
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
