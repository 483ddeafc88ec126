package web

import (
	"errors"
	"html/template"
	"net/http"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
)

// ErrNoStudy says that no gauge study began with an event, or at a station at all.
var ErrNoStudy = errors.New("no gauge study began there")

// StudyLine is a gauge study in a list.
type StudyLine struct {
	Station, Job string
	Seq          uint64 // of the event that began it
	At           time.Time
	Parts        int // planned number of parts
	Appraisers   []string
}

// Who returns the names of the appraisers.
func (l StudyLine) Who() string { return strings.Join(l.Appraisers, ", ") }

// StudyPage is a gauge study as it stands.
type StudyPage struct {
	StudyLine
	Open    bool          // the study is in progress
	Article template.HTML // its record, escaped
}

// study serves the page of a gauge study: the one that began with an event, or the newest of a
// station.
func (s *Server) study(w http.ResponseWriter, r *http.Request) {
	st, ok := s.known(r.PathValue("station"))
	if !ok {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_station"))
		return
	}
	var seq uint64
	if text := r.PathValue("seq"); text != "" {
		var err error
		if seq, err = strconv.ParseUint(text, 10, 64); err != nil || seq == 0 {
			s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_study"))
			return
		}
	}
	p, err := s.cfg.History.Study(r.Context(), st.Name, seq, s.words(r))
	switch {
	case errors.Is(err, ErrNoStudy) && seq != 0:
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_study"))
		return
	case err != nil && !errors.Is(err, ErrNoStudy):
		s.failed(w, r, analysis.Say("page.failed.study", err), err)
		return
	}
	s.render(w, r, "study.html", struct {
		Place Station
		StudyPage
		Newest bool // the page may change to a newer study
		Makes  bool // records can be made
	}{st, p, seq == 0, s.makes()})
}
