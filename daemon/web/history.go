package web

import (
	"context"
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
	"fairbore/daemon/web/export"
	"fairbore/daemon/web/view"
)

// History answers questions about the parts in the journal. Its methods may be called from any
// goroutine.
type History interface {
	// Parts returns the parts that a filter selects, the newest first, at most Limit of them. If the
	// search ended before it came to the oldest part, earlier is the number before which it goes on,
	// see [PartFilter]; otherwise 0.
	Parts(ctx context.Context, f PartFilter) (parts []PartLine, earlier uint64, err error)
	// Known returns the jobs, the gauges and the ids of the people that the journal names, the newest
	// job first.
	Known(ctx context.Context) (jobs, gauges, people []string, err error)
	// Record returns the part that began with event seq of a station. It fails with [ErrNoPart] if no
	// part began there.
	Record(ctx context.Context, station string, seq uint64) (PartRecord, error)
	// Studies returns the gauge studies of a station and a job, "" for all, the newest first, at
	// most most of them.
	Studies(ctx context.Context, station, job string, most int) ([]StudyLine, error)
	// Study returns the gauge study that began with event seq of a station, or the newest of the
	// station for 0. It fails with [ErrNoStudy] if there is none.
	Study(ctx context.Context, station string, seq uint64, f notation.Format) (StudyPage, error)
}

// ErrNoPart says that no part began with an event.
var ErrNoPart = errors.New("no part began there")

// PartRecord is what the journal has of a part.
type PartRecord struct {
	Bore   *state.Bore
	Fold   *state.Fold // the final state
	Events []event.Record
}

// PartFilter selects parts. An empty field selects all.
type PartFilter struct {
	Station, Job, Part string
	Outcome            string    // one of [Outcomes]
	Gauge              string    // a reading was taken with it
	Person             string    // id of who worked there
	From, To           time.Time // begun from the first moment up to the second
	Before             uint64    // begun before this number in the journal; 0: at any
	Limit              int
}

// Outcomes returns what can become of a part, and what is said of one that has no result yet.
func Outcomes() []string {
	return []string{"accepted", "rework", "on_hold", "scrap", "concession", "unfinished"}
}

// PartLine is a part in a list.
type PartLine struct {
	Station, Job, Part string
	Seq                uint64 // of the event that began it
	First, Last        time.Time
	Readings           int
	Verdict            *event.Verdict // the newest result, nil if it has none
	VerdictSeq         uint64         // of the event with it
	Superseded         int            // how many results came before it
	Simulated          bool
}

// Tone returns the tone of the verdict.
func (p PartLine) Tone() string { return string(view.VerdictTone(p.Verdict)) }

// Word returns the code of the verdict's word.
func (p PartLine) Word() string { return view.VerdictWord(p.Verdict) }

// historyShown is the largest number of parts in a list.
const historyShown = 200

// studiesShown is the largest number of gauge studies in a list.
const studiesShown = 5

// partsAsked is what is looked for on the page of parts.
type partsAsked struct {
	PartFilter
	FirstDay, LastDay string // as they were typed
	Fault             string // what is wrong with them
}

// looksFor reads what is looked for from the address.
func (s *Server) looksFor(r *http.Request) (a partsAsked) {
	q := r.URL.Query()
	text := func(name string) string { return strings.TrimSpace(q.Get(name)) }
	a.PartFilter = PartFilter{Station: text("station"), Job: text("job"), Part: text("part"), Outcome: text("outcome"), Gauge: text("gauge"), Person: text("person"), Limit: historyShown}
	a.FirstDay, a.LastDay = text("from"), text("to")
	a.Before, _ = strconv.ParseUint(text("before"), 10, 63) // what is no number is not asked for
	var err error
	if a.From, a.To, err = export.Days(a.FirstDay, a.LastDay, s.cfg.Zone); err != nil {
		a.Fault = s.words(r).Error(err)
	}
	return a
}

// address returns the address of the page with some fields set, the others as they are.
func (a *partsAsked) address(set map[string]string) string {
	q := url.Values{}
	for name, v := range map[string]string{"station": a.Station, "job": a.Job, "part": a.Part, "outcome": a.Outcome, "gauge": a.Gauge, "person": a.Person, "from": a.FirstDay, "to": a.LastDay} {
		if n, ok := set[name]; ok {
			v = n
		}
		if v != "" {
			q.Set(name, v)
		}
	}
	if v := set["before"]; v != "" {
		q.Set("before", v)
	}
	return "/history?" + q.Encode()
}

// preset is a link to the parts of some days.
type preset struct {
	Code, To string
	Chosen   bool
}

// presets returns the links to all parts, and to those of today, this week (from Monday) and this month.
func (a *partsAsked) presets(now time.Time) (out []preset) {
	today := now.Format(time.DateOnly)
	monday := now.AddDate(0, 0, -(int(now.Weekday())+6)%7).Format(time.DateOnly)
	for _, p := range []struct{ code, from, to string }{
		{"all", "", ""}, {"today", today, today}, {"week", monday, today}, {"month", now.AddDate(0, 0, 1-now.Day()).Format(time.DateOnly), today},
	} {
		out = append(out, preset{"page.days." + p.code, a.address(map[string]string{"from": p.from, "to": p.to}), a.FirstDay == p.from && a.LastDay == p.to})
	}
	return out
}

func (s *Server) history(w http.ResponseWriter, r *http.Request) {
	a := s.looksFor(r)
	var parts []PartLine
	var earlier uint64
	var studies []StudyLine
	jobs, gauges, people, err := s.cfg.History.Known(r.Context())
	if err == nil && a.Fault == "" {
		parts, earlier, err = s.cfg.History.Parts(r.Context(), a.PartFilter)
	}
	if err == nil {
		studies, err = s.cfg.History.Studies(r.Context(), a.Station, a.Job, studiesShown)
	}
	if err != nil {
		s.failed(w, r, analysis.Say("page.failed.history", err), err)
		return
	}
	more := ""
	if earlier > 0 {
		more = a.address(map[string]string{"before": strconv.FormatUint(earlier, 10)})
	}
	s.render(w, r, "history.html", struct {
		Filter               partsAsked
		Studies              []StudyLine
		Parts                []PartLine
		Stations             []Station
		Outcomes             []string
		Jobs, Gauges, People []string
		Presets              []preset
		Earlier              string // address of the earlier parts, "" if there are none
		Full                 bool   // as many are shown as there may be
		Lot                  template.HTML
		Makes                bool // records can be made
	}{
		a, studies, parts, s.src.Stations(), Outcomes(), jobs, gauges, people, a.presets(time.Now().In(s.cfg.Zone)), more, len(parts) == historyShown,
		s.lot(a.Job, parts, s.look(r)), s.makes(),
	})
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
				lot.Parts = append(lot.Parts, picture.LotPart{Serial: p.Part, Smallest: v.Smallest, Largest: v.Largest, Accepted: v.Accepted()})
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
	Makes    bool             // records can be made
	Acts     bool             // another result can be given
	People   bool             // the station asks who works there
	Earlier  *event.Beginning // where the part was begun before
}

// recorded returns the part of an address, or answers why there is none.
func (s *Server) recorded(w http.ResponseWriter, r *http.Request) (p PartRecord, seq uint64, ok bool) {
	seq, err := strconv.ParseUint(r.PathValue("seq"), 10, 63)
	if err == nil {
		p, err = s.cfg.History.Record(r.Context(), r.PathValue("station"), seq)
	} else {
		err = ErrNoPart
	}
	switch {
	case errors.Is(err, ErrNoPart):
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_part"))
	case err != nil:
		s.failed(w, r, analysis.Say("page.failed.part", err), err)
	case p.Bore.Job == nil || p.Bore.Part == nil:
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_job"))
	default:
		return p, seq, true
	}
	return p, seq, false
}

func (s *Server) part(w http.ResponseWriter, r *http.Request) {
	station := r.PathValue("station")
	p, seq, ok := s.recorded(w, r)
	if !ok {
		return
	}
	b, l := p.Bore, s.look(r)
	f := l.format(b.Job)
	rec := record{Line: PartLine{Station: station, Job: b.Job.ID, Part: b.Part.Serial, Seq: seq, Verdict: b.Verdict, VerdictSeq: b.VerdictSeq}, Bore: b, Earlier: b.Part.Continues, Acts: s.cfg.Actions && b.VerdictSeq != 0, Title: view.JobTitle(b.Job), Units: f.SmallUnit(), Makes: s.makes(), People: s.asks(station)}
	// The drawings are safe HTML, since picture escapes all text.
	rec.Cut = template.HTML(picture.Cut{Bore: b, W: 1400, H: 460, Format: f}.SVG())
	rec.Approach = template.HTML(picture.Approach{Bore: b, W: 1400, H: 400, Format: f, Against: l.by}.SVG())
	rec.Sections = template.HTML(picture.Sections{Bore: b, W: 1400, H: 300, Format: f}.SVG())
	rec.Facts = view.Facts(b, f)
	rec.Lines = view.Lines(p.Events, p.Fold, f, s.names(station))
	s.render(w, r, "part.html", rec)
}
