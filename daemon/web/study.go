package web

import (
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// ErrNoStudy says that no gauge study began with an event, or at a station at all.
var ErrNoStudy = errors.New("no gauge study began there")

// StudyLine is a gauge study in a list.
type StudyLine struct {
	Station, Job string
	Seq          uint64 // of the event that began it
	At           time.Time
	Parts        int // that were planned
	Appraisers   []string
}

// Who lists the appraisers.
func (l StudyLine) Who() string { return strings.Join(l.Appraisers, ", ") }

// StudyPage is a gauge study as it stands.
type StudyPage struct {
	StudyLine
	Open    bool          // it is under way
	Article template.HTML // its record, escaped
}

// study is the page of a gauge study: one that began with an event, or the newest of a
// station.
func (s *Server) study(w http.ResponseWriter, r *http.Request) {
	st, ok := s.known(r.PathValue("station"))
	if !ok {
		http.Error(w, "no such station", http.StatusNotFound)
		return
	}
	var seq uint64
	if text := r.PathValue("seq"); text != "" {
		var err error
		if seq, err = strconv.ParseUint(text, 10, 64); err != nil || seq == 0 {
			http.Error(w, ErrNoStudy.Error(), http.StatusNotFound)
			return
		}
	}
	p, err := s.cfg.History.Study(r.Context(), st.Name, seq)
	switch {
	case errors.Is(err, ErrNoStudy) && seq != 0:
		http.Error(w, err.Error(), http.StatusNotFound)
		return
	case err != nil && !errors.Is(err, ErrNoStudy):
		s.failed(w, "gauge study", err)
		return
	}
	s.render(w, "study.html", struct {
		Place Station
		StudyPage
		Newest bool // another may follow it on this page
		Makes  bool // its record can be made
	}{st, p, seq == 0, s.makes()})
}

// studyFace is what the question about a gauge study needs to know of one under way.
type studyFace struct {
	Appraisers []string    `json:"appraisers"`
	Trials     int         `json:"trials"`
	Now        string      `json:"now"`
	Next       *event.Turn `json:"next,omitempty"` // the turn that is usual now
}

// gauging reports whether somebody gauges for a study: what stands large then is the
// turn, not the size, by which nobody is to go.
func gauging(b *state.Bore) bool { return b.Study != nil && b.Study.Appraiser != "" }

// studied puts the study under way into words.
func (v *face) studied(b *state.Bore, f notation.Format) {
	st := b.Study
	if st == nil {
		return
	}
	since := ""
	if !st.Since.IsZero() {
		since = " since " + st.Since.Format("2006-01-02 15:04")
	}
	v.Study = &studyFace{Appraisers: st.Appraisers, Trials: st.Trials, Next: st.Next, Now: fmt.Sprintf("%d of %d gauged%s, at %s.", st.Taken, st.Wanted, since, f.Place(st.Place))}
	if !gauging(b) || b.Verdict != nil || v.Big != studyNow && v.Big != studyNext {
		return
	}
	v.State, v.Sizes = "gauge study", ""
	v.Reason = "Gauge study: " + v.Study.Now
	switch {
	case st.Taking:
		v.Advice = fmt.Sprintf("%s gauges part %s, trial %d of %d.", st.Appraiser, st.Part, st.Trial, st.Trials)
	case st.Next == nil:
		v.Advice = "All is gauged: end the study, and look at its page."
	case st.Next.Appraiser != st.Appraiser:
		v.Advice = fmt.Sprintf("%s has gauged all. Now %s: take part %s.", st.Appraiser, st.Next.Appraiser, st.Next.Part)
	default:
		v.Advice = fmt.Sprintf("Take part %s, for trial %d of %d.", st.Next.Part, st.Next.Trial, st.Trials)
	}
}

// The large words while somebody gauges for a study.
const studyNow, studyNext = "Gauge it", "Next part"
