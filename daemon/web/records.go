package web

import (
	"cmp"
	"context"
	"errors"
	"io"
	"mime"
	"net/http"
	"slices"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// Records makes what a person takes away: records, exports, a verified journal.
type Records interface {
	// Make writes what is wanted, and calls progress now and then with how far it
	// has come, out of how much. It ends soon after ctx does. Its error is for a
	// person to read. Any goroutine may call it.
	Make(ctx context.Context, out io.Writer, w Wanted, progress func(done, total uint64)) error
}

// Wanted is what a person wants made. What is empty leaves the choice open.
type Wanted struct {
	What               string // the name of one of [offers]
	Format             string // of those that go with it
	Paper              string // a4 or letter
	Station, Job, Part string
	From, To           time.Time // from and before which moment
}

// offer is something that can be made.
type offer struct {
	Name    string
	Formats []string // the first is the usual one
	By      string   // what it can be narrowed by
}

func offers() []offer {
	papers := []string{"pdf", "html", "text", "csv"}
	return []offer{
		{"job", papers, "job station from to"},
		{"part", papers, "job part station from to"},
		{"first-article", papers, "job part station from to"},
		{"masterings", papers, "station from to"},
		{"study", papers, "job station from to"},
		{"readings", []string{"csv"}, "job part station from to"},
		{"events", []string{"ndjson"}, "job part station from to"},
		{"verify", []string{"text"}, ""},
	}
}

// format is a kind of file.
type format struct{ Name, End, Kind string }

func formats() []format {
	return []format{
		{"pdf", "pdf", "application/pdf"},
		{"html", "html", "text/html; charset=utf-8"},
		{"text", "txt", "text/plain; charset=utf-8"},
		{"csv", "csv", "text/csv; charset=utf-8"},
		{"ndjson", "ndjson", "application/x-ndjson"},
	}
}

// order is a Wanted as the page sends it.
type order struct {
	What    string `json:"what"`
	Format  string `json:"format"`
	Paper   string `json:"paper"`
	Station string `json:"station"`
	Job     string `json:"job"`
	Part    string `json:"part"`
	From    string `json:"from"` // days, as 2026-11-25, both included
	To      string `json:"to"`
}

func (o *order) wanted() (Wanted, error) {
	w := Wanted{What: o.What, Format: o.Format, Paper: o.Paper, Station: o.Station, Job: strings.TrimSpace(o.Job), Part: strings.TrimSpace(o.Part)}
	i := slices.IndexFunc(offers(), func(f offer) bool { return f.Name == w.What })
	if i < 0 {
		return w, analysis.Say("page.order.unknown", w.What)
	}
	f := offers()[i]
	w.Format = cmp.Or(w.Format, f.Formats[0])
	switch {
	case !slices.Contains(f.Formats, w.Format):
		return w, analysis.Say("page.order.format", w.Format, strings.Join(f.Formats, ", "))
	case w.Paper != "" && w.Paper != "a4" && w.Paper != "letter":
		return w, analysis.Say("page.order.paper", w.Paper)
	case w.Job == "" && (w.What == "job" || w.What == "first-article"):
		return w, analysis.Say("page.order.job")
	}
	var err error
	if w.From, err = day(o.From, 0); err != nil {
		return w, err
	}
	if w.To, err = day(o.To, 1); err != nil {
		return w, err
	}
	if !w.To.IsZero() && !w.From.Before(w.To) {
		return w, analysis.Say("page.order.days")
	}
	return w, nil
}

// day is when a day of this machine's clock begins, or so many days later.
func day(s string, later int) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.ParseInLocation(time.DateOnly, s, time.Local)
	if err != nil {
		return t, analysis.Say("page.order.day", s)
	}
	return t.AddDate(0, 0, later), nil
}

// file names what was wanted, in letters that every system takes, and says of
// what kind it is.
func (w *Wanted) file() (name, kind string) {
	list := formats()
	f := list[slices.IndexFunc(list, func(f format) bool { return f.Name == w.Format })]
	name = "fairbore"
	for _, part := range []string{w.What, w.Job, w.Part, w.Station} {
		if part != "" {
			name += "-" + strings.Map(func(r rune) rune {
				if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-_.", r) {
					return r
				}
				return '_'
			}, part)
		}
	}
	return name[:min(len(name), 100)] + "." + f.End, f.Kind
}

// records is the page on which they are asked for.
func (s *Server) records(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	s.render(w, r, "records.html", struct {
		Offers                   []offer
		Formats                  []format
		Stations                 []Station
		What, Station, Job, Part string
	}{offers(), formats(), s.src.Stations(), q.Get("what"), q.Get("station"), q.Get("job"), q.Get("part")})
}

// order begins to make what is wanted.
func (s *Server) order(w http.ResponseWriter, r *http.Request) {
	var o order
	if !s.posted(w, r, &o) {
		return
	}
	want, err := o.wanted()
	if err != nil {
		s.no(w, r, http.StatusBadRequest, err)
		return
	}
	m, err := s.begin(want)
	if err != nil {
		s.no(w, r, http.StatusConflict, err)
		return
	}
	writeJSON(w, http.StatusAccepted, m.told(s.words(r)))
}

// stopOrder stops what is being made, or throws away what was.
func (s *Server) stopOrder(w http.ResponseWriter, r *http.Request) {
	var which struct {
		ID string `json:"id"` // "": whatever is being made, by whomever
	}
	if !s.posted(w, r, &which) {
		return
	}
	m := s.exporter.newest()
	if m == nil || which.ID != "" && which.ID != m.id {
		s.no(w, r, http.StatusNotFound, analysis.Say("page.order.not_made"))
		return
	}
	m.drop()
	writeJSON(w, http.StatusOK, event.Reply{Done: true})
}

// ordered finds what an address speaks of: who began it alone knows its id.
func (s *Server) ordered(w http.ResponseWriter, r *http.Request) *exportJob {
	m := s.exporter.newest()
	if m == nil || r.PathValue("id") != m.id {
		s.no(w, r, http.StatusNotFound, analysis.Say("page.order.gone"))
		return nil
	}
	return m
}

// orderState says how far it has come.
func (s *Server) orderState(w http.ResponseWriter, r *http.Request) {
	if m := s.ordered(w, r); m != nil {
		writeJSON(w, http.StatusOK, m.told(s.words(r)))
	}
}

// takeTime bounds how long one may take to fetch a file.
const takeTime = 10 * time.Minute

// orderFile hands out what was made. It is always saved, never shown within these
// pages: what stands in it was written by others.
func (s *Server) orderFile(w http.ResponseWriter, r *http.Request) {
	m := s.ordered(w, r)
	if m == nil {
		return
	}
	content, done := m.open()
	if content == nil {
		s.no(w, r, http.StatusNotFound, analysis.Say("page.order.not_ready"))
		return
	}
	defer done()
	if err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(takeTime)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		s.failed(w, r, analysis.Say("page.failed.send", err), err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", m.kind)
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": m.name}))
	h.Set("Cache-Control", "no-store")
	http.ServeContent(w, r, "", time.Time{}, content)
}
