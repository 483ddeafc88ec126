package view

import (
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// studyView is what the page needs to know about a gauge study in progress.
type studyView struct {
	Appraisers []string    `json:"appraisers"`
	Trials     int         `json:"trials"`
	Now        string      `json:"now"`
	Next       *event.Turn `json:"next,omitempty"` // the turn that is due
}

// studied returns the gauge study in progress, in words; nil if there is none.
func studied(b *state.Bore, f notation.Format) *studyView {
	st := b.Study
	if st == nil || b.Job == nil {
		return nil
	}
	return &studyView{Appraisers: st.Appraisers, Trials: st.Trials, Next: st.Next, Now: f.Say(st.Progress())}
}
