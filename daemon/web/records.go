package web

import (
	"errors"
	"io"
	"mime"
	"net/http"
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/web/export"
)

// records serves the page where records are ordered.
func (s *Server) records(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	var jobs []string
	if s.cfg.History != nil {
		var err error
		if jobs, _, _, err = s.cfg.History.Known(r.Context()); err != nil {
			s.failed(w, r, analysis.Say("page.failed.history", err), err)
			return
		}
	}
	if job := q.Get("job"); job != "" && !slices.Contains(jobs, job) {
		jobs = append(jobs, job)
	}
	s.render(w, r, "records.html", struct {
		Offers                   []export.Offer
		Formats                  []export.Format
		Stations                 []Station
		Jobs                     []string
		What, Station, Job, Part string
		Card                     bool
	}{export.Offers(), export.Formats(), s.src.Stations(), jobs, q.Get("what"), q.Get("station"), q.Get("job"), q.Get("part"), s.cfg.Card != nil})
}

// partOffered is a part to choose from.
type partOffered struct {
	Part string `json:"part"`
	Text string `json:"text"`
}

// recordParts lists the newest parts of a job and a station, from which the page of records chooses.
func (s *Server) recordParts(w http.ResponseWriter, r *http.Request) {
	q, f, list := r.URL.Query(), s.words(r), []partOffered{}
	parts, _, err := s.cfg.History.Parts(r.Context(), PartFilter{Job: q.Get("job"), Station: q.Get("station"), Limit: historyShown})
	if err != nil {
		s.failed(w, r, analysis.Say("page.failed.history", err), err)
		return
	}
	for _, p := range parts {
		if !slices.ContainsFunc(list, func(l partOffered) bool { return l.Part == p.Part }) {
			list = append(list, partOffered{p.Part, p.Part + " · " + f.Moment(p.First) + " · " + f.Text(p.Word())})
		}
	}
	writeJSON(w, http.StatusOK, list)
}

// order starts to make what was ordered.
func (s *Server) order(w http.ResponseWriter, r *http.Request) {
	var o export.Order
	if !s.posted(w, r, &o) {
		return
	}
	want, err := o.Wanted(s.cfg.Zone)
	if err != nil {
		s.no(w, r, http.StatusBadRequest, err)
		return
	}
	m, err := s.exports.Begin(want)
	if err != nil {
		s.no(w, r, http.StatusConflict, err)
		return
	}
	writeJSON(w, http.StatusAccepted, m.Told(s.words(r)))
}

// stopOrder stops the job in progress, or throws away its file.
func (s *Server) stopOrder(w http.ResponseWriter, r *http.Request) {
	var which struct {
		ID string `json:"id"` // "": the job in progress, whoever began it
	}
	if !s.posted(w, r, &which) {
		return
	}
	m := s.exports.Newest()
	if m == nil || which.ID != "" && which.ID != m.ID {
		s.no(w, r, http.StatusNotFound, analysis.Say("page.order.not_made"))
		return
	}
	m.Drop()
	writeJSON(w, http.StatusOK, event.Reply{Done: true})
}

// ordered finds the job of an address. Only the person who began it knows its id.
func (s *Server) ordered(w http.ResponseWriter, r *http.Request) *export.Job {
	m := s.exports.Newest()
	if m == nil || r.PathValue("id") != m.ID {
		s.no(w, r, http.StatusNotFound, analysis.Say("page.order.gone"))
		return nil
	}
	return m
}

// orderState tells the progress.
func (s *Server) orderState(w http.ResponseWriter, r *http.Request) {
	if m := s.ordered(w, r); m != nil {
		writeJSON(w, http.StatusOK, m.Told(s.words(r)))
	}
}

// Times that fetching a file may take: the whole of it, and a piece of at most 32 KiB.
const (
	takeTime  = 10 * time.Minute
	pieceTime = 10 * time.Second
)

// pieces gives each piece of an answer time of its own, so that a file may take long, and who takes
// nothing is disconnected.
type pieces struct {
	http.ResponseWriter
	end time.Time
}

// Write implements io.Writer.
func (p pieces) Write(b []byte) (int, error) {
	by := time.Now().Add(pieceTime)
	if by.After(p.end) {
		by = p.end
	}
	if err := http.NewResponseController(p.ResponseWriter).SetWriteDeadline(by); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	return p.ResponseWriter.Write(b)
}

// orderFile sends the file. It is always saved and never shown within these pages, since others
// wrote what is in it.
func (s *Server) orderFile(w http.ResponseWriter, r *http.Request) {
	m := s.ordered(w, r)
	if m == nil {
		return
	}
	content, done := m.Open()
	if content == nil {
		s.no(w, r, http.StatusNotFound, analysis.Say("page.order.not_ready"))
		return
	}
	defer done()
	send(w, r, m, content)
}

// recordFile makes the record of a part as PDF and sends it, with the bounds of everything that is made:
// one at a time, and only for who may act. Since it costs work, no other site may ask for it.
func (s *Server) recordFile(w http.ResponseWriter, r *http.Request) {
	switch {
	case !ownOrigin(r):
		s.turned(wrongOrigin, peer(r), "")
		s.no(w, r, http.StatusForbidden, analysis.Say("page.refused.foreign"))
		return
	case !s.cfg.Gate.admits(r, time.Now()):
		s.no(w, r, http.StatusUnauthorized, analysis.Say("page.refused.passphrase"))
		return
	}
	p, seq, ok := s.recorded(w, r)
	if !ok {
		return
	}
	m, err := s.exports.Begin(export.Wanted{What: "part", Format: "pdf", Station: r.PathValue("station"), Job: p.Bore.Job.ID, Part: p.Bore.Part.Serial, Seq: seq})
	if err == nil {
		defer m.Drop()
		err = m.Wait(r.Context())
	}
	if err != nil {
		s.no(w, r, http.StatusConflict, err)
		return
	}
	if content, done := m.Open(); content != nil {
		defer done()
		send(w, r, m, content)
		return
	}
	s.no(w, r, http.StatusConflict, analysis.Say("page.order.gone")) // somebody stopped it
}

// send sends the file of a job.
func send(w http.ResponseWriter, r *http.Request, m *export.Job, content io.ReadSeeker) {
	h := w.Header()
	h.Set("Content-Type", m.Kind)
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": m.Name}))
	h.Set("Cache-Control", "no-store")
	http.ServeContent(pieces{w, time.Now().Add(takeTime)}, r, "", time.Time{}, content)
}
