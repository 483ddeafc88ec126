package web

import (
	"context"
	"errors"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
	"fairbore/daemon/web/view"
)

// History answers questions about the parts in the journal. Its methods may be called from any
// goroutine.
type History interface {
	// Parts returns the parts that a filter selects, the newest first, at most Limit of them.
	Parts(ctx context.Context, f PartFilter) ([]PartLine, error)
	// Record returns the final state of the part that began with event seq of a station, and its
	// events in order. It fails with [ErrNoPart] if no part began there.
	Record(ctx context.Context, station string, seq uint64) (*state.Bore, []event.Record, error)
	// Studies returns the gauge studies of a station and a job, "" for all, the newest first, at
	// most most of them.
	Studies(ctx context.Context, station, job string, most int) ([]StudyLine, error)
	// Study returns the gauge study that began with event seq of a station, or the newest of the
	// station for 0. It fails with [ErrNoStudy] if there is none.
	Study(ctx context.Context, station string, seq uint64) (StudyPage, error)
}

// ErrNoPart says that no part began with an event.
var ErrNoPart = errors.New("no part began there")

// PartFilter selects parts. An empty field selects all.
type PartFilter struct {
	Station, Job, Part string
	Limit              int
}

// PartLine is a part in a list.
type PartLine struct {
	Station, Job, Part string
	Seq                uint64 // of the event that began it
	First, Last        time.Time
	Readings           int
	Verdict            *event.Verdict // nil if it has none
}

// Tone returns the tone of the verdict.
func (p PartLine) Tone() string { return string(view.VerdictTone(p.Verdict)) }

// Word returns the code of the verdict's word.
func (p PartLine) Word() string { return view.VerdictWord(p.Verdict) }

// historyShown is the largest number of parts in a list.
const historyShown = 200

// studiesShown is the largest number of gauge studies in a list.
const studiesShown = 5

func (s *Server) history(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	f := PartFilter{Station: q.Get("station"), Job: strings.TrimSpace(q.Get("job")), Part: strings.TrimSpace(q.Get("part")), Limit: historyShown}
	parts, err := s.cfg.History.Parts(r.Context(), f)
	if err != nil {
		s.failed(w, r, analysis.Say("page.failed.history", err), err)
		return
	}
	studies, err := s.cfg.History.Studies(r.Context(), f.Station, f.Job, studiesShown)
	if err != nil {
		s.failed(w, r, analysis.Say("page.failed.history", err), err)
		return
	}
	s.render(w, r, "history.html", struct {
		Filter   PartFilter
		Studies  []StudyLine
		Parts    []PartLine
		Stations []Station
		All      bool
		Lot      template.HTML
		Makes    bool // records can be made
	}{f, studies, parts, s.src.Stations(), len(parts) < historyShown, s.lot(f.Job, parts, s.look(r)), s.makes()})
}

// lot draws the finished parts of a job, if the list is of one known job. parts has the newest
// first.
func (s *Server) lot(id string, parts []PartLine, l look) template.HTML {
	for _, j := range s.jobs("") {
		if j.ID != id {
			continue
		}
		lot := picture.Lot{Job: j, W: 1400, H: 320, Format: l.format(j)}
		for _, p := range slices.Backward(parts) {
			if v := p.Verdict; v != nil && v.Readings > 0 {
				lot.Parts = append(lot.Parts, picture.LotPart{Serial: p.Part, Smallest: v.Smallest, Largest: v.Largest, Accepted: v.Accepted})
			}
		}
		if len(lot.Parts) > 0 {
			return template.HTML(lot.SVG()) // picture escapes its text
		}
	}
	return ""
}

// record is the page of a part.
type record struct {
	Line     PartLine
	Bore     *state.Bore
	Title    string
	Units    string
	Cut      template.HTML
	Approach template.HTML
	Sections template.HTML
	Facts    [][2]string
	Lines    []view.HistoryLine
	Makes    bool // records can be made
}

func (s *Server) part(w http.ResponseWriter, r *http.Request) {
	station := r.PathValue("station")
	seq, err := strconv.ParseUint(r.PathValue("seq"), 10, 64)
	if err != nil {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_part"))
		return
	}
	b, events, err := s.cfg.History.Record(r.Context(), station, seq)
	switch {
	case errors.Is(err, ErrNoPart):
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_part"))
		return
	case err != nil:
		s.failed(w, r, analysis.Say("page.failed.part", err), err)
		return
	case b.Job == nil || b.Part == nil:
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_job"))
		return
	}
	l := s.look(r)
	f := l.format(b.Job)
	rec := record{Line: PartLine{Station: station, Job: b.Job.ID, Part: b.Part.Serial, Seq: seq, Verdict: b.Verdict}, Bore: b, Title: b.Job.Title, Units: f.SmallUnit(), Makes: s.makes()}
	// The drawings are safe HTML, since picture escapes all text.
	rec.Cut = template.HTML(picture.Cut{Bore: b, W: 1400, H: 460, Format: f}.SVG())
	rec.Approach = template.HTML(picture.Approach{Bore: b, W: 1400, H: 400, Format: f, Against: l.by}.SVG())
	rec.Sections = template.HTML(picture.Sections{Bore: b, W: 1400, H: 300, Format: f}.SVG())
	rec.Facts = view.Facts(b, f)
	rec.Lines = view.Lines(events, f)
	s.render(w, r, "part.html", rec)
}
