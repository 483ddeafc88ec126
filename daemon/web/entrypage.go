package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"maps"
	"mime"
	"net/http"
	"os"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/picture"
	"fairbore/daemon/state"
	"fairbore/daemon/web/guide"
	"fairbore/daemon/web/jobform"
)

// entryPage shows the form for a new job. With ?from=ID it is filled in from another job, and with
// ?nominal= and the like from a plan. In the set-up it is filled in as it was left.
func (s *Server) entryPage(w http.ResponseWriter, r *http.Request) {
	st, ok := s.known(r.PathValue("name"))
	if !ok {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_station"))
		return
	}
	jobs := s.jobs(st.Name)
	text := map[string]string{jobform.FieldUnit: "mm", jobform.FieldFace: s.words(r).Say(analysis.FaceName(""))}
	for _, j := range jobs {
		if j.ID == r.URL.Query().Get("from") {
			text = jobform.Typed(j, s.words(r))
		}
	}
	setup := r.URL.Query().Has("setup") && s.cfg.Guide != nil
	for _, field := range jobform.Planned() {
		if v := r.URL.Query().Get(field); v != "" {
			text[field] = v
		}
	}
	if setup {
		maps.Copy(text, s.cfg.Guide.Drafts.Of(st.Name)[guide.StepJob])
	}
	s.render(w, r, "job.html", struct {
		Station
		Jobs      []*analysis.Job
		Rings     []*analysis.Ring
		Materials []string
		Text      map[string]string
		People    bool // another can sign
		Setup     bool // the set-up goes on from here
	}{st, jobs, s.cfg.Entry.Rings(st.Name), s.cfg.Entry.Materials, text, s.asks(st.Name), setup})
}

// understood draws the bore as the form was understood, "" while there is too little of it.
func (l *look) understood(d *jobform.Draft) string {
	if !d.Drawable() {
		return ""
	}
	j := d.Job
	return string(picture.Cut{Bore: &state.Bore{Job: &j}, W: l.w, H: l.h, Format: l.format(&j)}.SVG())
}

// entryReply answers what was typed so far, or that the job was chosen.
type entryReply struct {
	Faults map[string]string   `json:"faults"`
	Echo   map[string]string   `json:"echo"`
	Usual  map[string][]string `json:"usual"`
	Ask    []string            `json:"ask,omitempty"`
	Cut    string              `json:"cut,omitempty"`
	Plan   string              `json:"plan,omitempty"` // how many places there are to gauge
	Reply  *event.Reply        `json:"reply,omitempty"`
}

// entryPosted is what the page posts: the fields as typed. With Save the job is chosen if nothing
// is wrong with it.
type entryPosted struct {
	ID      string            `json:"id"` // of the action
	Text    map[string]string `json:"text"`
	Save    bool              `json:"save"`
	Confirm bool              `json:"confirm"`
	Setup   bool              `json:"setup"` // what is not saved stays in the draft of the set-up
}

// enter checks a new job as typed, and chooses it if that is asked for.
func (s *Server) enter(w http.ResponseWriter, r *http.Request) {
	st, ok := s.known(r.PathValue("name"))
	if !ok {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_station"))
		return
	}
	var in entryPosted
	if !s.posted(w, r, &in) {
		return
	}
	l := s.look(r)
	d := jobform.Read(in.Text, l.format(nil))
	d.Check(st.Name, s.cfg.Entry, s.jobs(st.Name))
	out := entryReply{Faults: d.Faults, Echo: d.Echo, Usual: d.Usual, Ask: d.Ask, Cut: l.understood(d)}
	f := notation.ForJob(&d.Job)
	f.Language, f.Sign = l.language, l.sign
	if n := len(d.Job.Plan()); n > 0 && len(d.Faults) == 0 {
		out.Plan = f.Text("entry.plan", n, f.Small(analysis.Deviation(d.Job.High-d.Job.Low))+" "+f.SmallUnit())
	}
	status := http.StatusOK
	if in.Save && len(d.Faults) == 0 {
		reply := s.src.Do(r.Context(), st.Name, event.Action{ID: in.ID, Do: "job", Spec: &d.Job, Confirm: in.Confirm, Source: "page"})
		reply.Why = said(reply.Why, f)
		out.Reply = &reply
		status = statusOf(reply)
	}
	if in.Setup && s.cfg.Guide != nil {
		if err := s.cfg.Guide.KeepJob(st.Name, in.Text, out.Reply != nil && out.Reply.Done); err != nil {
			s.log.Error().Err(err).Msg("draft of the set-up not kept")
		}
	}
	writeJSON(w, status, out)
}

// bodyTime is the longest time that the body of an action may take to arrive.
const bodyTime = 10 * time.Second

// posted reads the body of a request that acts, or answers why it is refused.
func (s *Server) posted(w http.ResponseWriter, r *http.Request, into any) bool {
	if !s.cfg.Actions {
		s.no(w, r, http.StatusForbidden, analysis.Say("page.refused.shows"))
		return false
	}
	if !s.cfg.Gate.admits(r, time.Now()) {
		s.no(w, r, http.StatusUnauthorized, analysis.Say("page.refused.passphrase"))
		return false
	}
	return s.read(w, r, into)
}

// said returns why something is not done, with its text for the reader.
func said(why error, f notation.Format) analysis.Phrase {
	p := analysis.Reason(why)
	p.Text = f.Say(p)
	return p
}

// no answers why something posted is not done.
func (s *Server) no(w http.ResponseWriter, r *http.Request, status int, why error) {
	writeJSON(w, status, event.Reply{Why: said(why, s.words(r))})
}

// read reads the body of a post. Only a page of this server may send one. The body must be JSON,
// which a form of another site can't send without asking first. The Origin, if the browser sends
// one, must be this server under one of its names.
func (s *Server) read(w http.ResponseWriter, r *http.Request, into any) bool {
	no := func(status int, why error) bool {
		s.no(w, r, status, why)
		return false
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" || !ownOrigin(r) {
		s.turned(wrongOrigin, peer(r), "")
		return no(http.StatusForbidden, analysis.Say("page.refused.foreign"))
	}
	conn := http.NewResponseController(w)
	if err := conn.SetReadDeadline(time.Now().Add(bodyTime)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return no(http.StatusInternalServerError, err)
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxAction))
	if err != nil {
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return no(http.StatusRequestTimeout, analysis.Say("page.refused.slow"))
		}
		return no(http.StatusRequestEntityTooLarge, analysis.Say("page.refused.long"))
	}
	_ = conn.SetReadDeadline(time.Time{}) // the request has come
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.DisallowUnknownFields()
	if err := dec.Decode(into); err != nil {
		return no(http.StatusBadRequest, analysis.Say("page.refused.json", err))
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return no(http.StatusBadRequest, analysis.Say("page.refused.more"))
	}
	return true
}
