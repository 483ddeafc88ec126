package view

import (
	"fairbore/analysis"
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

// gauging reports whether somebody gauges for a study. The turn is then shown largest, and not the
// size, by which nobody may go.
func gauging(b *state.Bore) bool { return b.Study != nil && b.Study.Appraiser != "" }

// studied sets the gauge study in progress, in words.
func (v *Station) studied(b *state.Bore, f notation.Format) {
	st := b.Study
	if st == nil {
		return
	}
	now := analysis.Say("face.study.now", st.Taken, st.Wanted, st.Place)
	if !st.Since.IsZero() {
		now = analysis.Say("face.study.now_since", st.Taken, st.Wanted, st.Since, st.Place)
	}
	v.Study = &studyView{Appraisers: st.Appraisers, Trials: st.Trials, Next: st.Next, Now: f.Say(now)}
	if v.is != studyTrial && v.is != studyNext {
		return
	}
	v.Sizes, v.Reason = "", f.Text("face.study.reason", now)
	switch {
	case st.Taking:
		v.Advice = f.Text("face.study.gauges", st.Appraiser, st.Part, st.Trial, st.Trials)
	case st.Next == nil:
		v.Advice = f.Text("face.study.all")
	case st.Next.Appraiser != st.Appraiser:
		v.Advice = f.Text("face.study.other", st.Appraiser, st.Next.Appraiser, st.Next.Part)
	default:
		v.Advice = f.Text("face.study.take", st.Next.Part, st.Next.Trial, st.Trials)
	}
}
