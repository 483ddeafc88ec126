package event

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
)

// Study is where a gauge repeatability and reproducibility study stands: the same parts,
// gauged at one place by the same appraisers, each part in several trials (ISO 22514-7;
// AIAG, Measurement Systems Analysis, ch. III B, whose words these are). Each event has
// the whole of it, so that the newest tells all but the readings of the part in hand.
type Study struct {
	Begun bool `json:"begun,omitempty"` // it starts here
	Over  bool `json:"over,omitempty"`  // it ends here
	// Since is when it started. It stays open until somebody ends it: appraisers of
	// several shifts may take part.
	Since time.Time `json:"since,omitzero"`

	// The plan.
	Job        string         `json:"job"`
	Place      analysis.Place `json:"place"` // where every part is gauged
	Parts      int            `json:"parts"` // that are to be gauged
	Appraisers []string       `json:"appraisers"`
	Trials     int            `json:"trials"` // of each part by each appraiser

	// The turn: who gauges which part from here on, and which trial it is. Appraiser is
	// empty while the study rests: readings are not of it then.
	Appraiser string `json:"appraiser,omitempty"`
	Part      string `json:"part,omitempty"`
	Trial     int    `json:"trial,omitempty"`
	After     int    `json:"after,omitempty"` // number of the last reading of the part before it

	// Done are the parts that came so far, in that order. The readings of the part that
	// is in hand are not counted in it.
	Done []StudyPart `json:"done,omitempty"`
}

// StudyPart is a part of a study and how many trials of it each appraiser has done, in
// the order of Study.Appraisers.
type StudyPart struct {
	Part   string `json:"part"`
	Trials []int  `json:"trials"`
}

// StudyTrial says of a reading that it is of the study under way: the part is the
// reading's. Of two readings with the same part, appraiser and trial the later counts.
type StudyTrial struct {
	Appraiser string `json:"appraiser"`
	Trial     int    `json:"trial"`
}

// Sizes of a study: what is usual (common practice), and as much as anybody gauges.
const (
	UsualParts, UsualTrials              = 10, 3
	MostParts, MostAppraisers, MostTrial = 50, 10, 10
)

// Turn is who gauges which part in which trial.
type Turn struct {
	Appraiser string `json:"appraiser"`
	Part      string `json:"part"`
	Trial     int    `json:"trial"`
}

// Phrase says what an event of a study tells.
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

// CountReading takes in that appraiser i has done a trial of a part. Trials are counted from the
// first on: one that is missing is due.
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

// TrialsDone returns how many trials of a part an appraiser has done, and whether the part is
// one of the study already.
func (st *Study) TrialsDone(part, who string) (n int, known bool) {
	i := slices.Index(st.Appraisers, who)
	for _, p := range st.Done {
		if p.Part == part && i >= 0 && i < len(p.Trials) {
			return p.Trials[i], true
		}
	}
	return 0, false
}

// due returns what an appraiser is to gauge next: each part once before any a second
// time, so that he does not remember what he read; false if he has done all.
func (st *Study) due(who string) (t Turn, ok bool) {
	for trial := 1; trial <= st.Trials; trial++ {
		for _, p := range st.Done {
			if n, _ := st.TrialsDone(p.Part, who); n < trial {
				return Turn{who, p.Part, n + 1}, true
			}
		}
		if len(st.Done) < st.Parts { // one that nobody has gauged yet
			return Turn{who, st.fresh(), 1}, true
		}
	}
	return Turn{}, false
}

// fresh names a part that has no serial number: by counting, as tables of studies do.
func (st *Study) fresh() string {
	for n := len(st.Done) + 1; ; n++ {
		name := strconv.Itoa(n)
		if _, known := st.TrialsDone(name, st.Appraisers[0]); !known {
			return name
		}
	}
}

// NextTurn is what is due: of who gauges now, and then of the others in their order.
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
