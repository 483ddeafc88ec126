package web

import (
	"errors"
	"io"
	"mime"
	"net/http"
	"path/filepath"
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/config"
	"fairbore/daemon/event"
	"fairbore/daemon/web/register"
)

// registerLines are the rings or the gauges, as the page lists them.
type registerLines struct {
	Kind  register.Kind
	Items []*register.Item
}

// registerPage shows the rings and gauges or, with ?rings= or ?gauges=, the form for one of them: that
// of the id, or a new one.
func (s *Server) registerPage(w http.ResponseWriter, r *http.Request) {
	text, hash, _ := s.cfg.Setup.Configured()
	cfg, err := config.Parse("fairbore.yaml", text)
	if err != nil { // it was taken up, so that it has none
		s.failed(w, r, analysis.Say("page.not_made"), err)
		return
	}
	page := struct {
		Lists  []registerLines
		Change bool // this browser may change something
		Hash   string
		Form   bool
		Kind   register.Kind
		Item   register.Item
		Fields []registerField
		People []listed
	}{Change: s.mayChange(r), Hash: hash}
	for _, k := range []register.Kind{register.Ring, register.Gauge} {
		items := register.Items(k, text, cfg, time.Now().In(s.cfg.Zone))
		lines := registerLines{Kind: k}
		for i := range items {
			lines.Items = append(lines.Items, &items[i])
		}
		page.Lists = append(page.Lists, lines)
		id := r.URL.Query().Get(string(k))
		if !r.URL.Query().Has(string(k)) || !page.Change {
			continue
		}
		page.Form, page.Kind = true, k
		if at := slices.IndexFunc(items, func(it register.Item) bool { return it.ID == id }); at >= 0 {
			page.Item = items[at]
		} else if id != "" {
			s.refuse(w, r, http.StatusNotFound, analysis.Say("register.none"))
			return
		}
		for _, f := range register.Fields(k) {
			page.Fields = append(page.Fields, registerField{f, page.Item.Text[f], register.Choices(f)})
		}
		page.People = s.settersUp()
	}
	s.render(w, r, "register.html", page)
}

// settersUp returns who may change the configuration, nobody where it names no people.
func (s *Server) settersUp() (all []listed) {
	set := s.everybody()
	for _, id := range set.People.With(event.MaySetUp, nil) {
		p := set.People[id]
		all = append(all, listed{ID: id, Name: set.NameOf(id), PIN: p.PIN != ""})
	}
	return all
}

// registerField is a field of the form.
type registerField struct {
	Name, Value string
	Choices     []string
}

// registerPosted is what the form posts.
type registerPosted struct {
	changer
	ID   string            `json:"id"` // of what there is, "" for a new one
	Text map[string]string `json:"text"`
}

// registerReply answers with what is wrong, field by field.
type registerReply struct {
	event.Reply
	Faults map[string]string `json:"faults,omitempty"`
}

// enterItem enters or changes a ring or a gauge.
func (s *Server) enterItem(w http.ResponseWriter, r *http.Request) {
	k := register.Kind(r.PathValue("kind"))
	if k != register.Ring && k != register.Gauge {
		s.no(w, r, http.StatusNotFound, analysis.Say("register.none"))
		return
	}
	var in registerPosted
	by, ok := s.changing(w, r, &in)
	if !ok {
		return
	}
	text, hash, _ := s.cfg.Setup.Configured()
	cfg, err := config.Parse("fairbore.yaml", text)
	if err == nil && hash != in.Hash {
		err = analysis.Say("change.edited")
	}
	if err != nil {
		s.no(w, r, http.StatusConflict, err)
		return
	}
	f := s.words(r)
	t := register.Read(k, in.ID, in.Text, register.Items(k, text, cfg, time.Now()), f)
	if file := in.Text[register.FieldFile]; file != "" {
		if _, _, _, err := register.Kept(s.cfg.Certificates, file); err != nil {
			t.Faults[register.FieldFile] = f.Text("register.no_file")
		}
	}
	if err := s.cfg.Setup.Check(t.Changes); err != nil && len(t.Changes) > 0 {
		t.Refused(err)
	}
	if len(t.Faults) > 0 {
		writeJSON(w, http.StatusOK, registerReply{Faults: t.Faults})
		return
	}
	if len(t.Changes) > 0 {
		if err := s.cfg.Setup.Change(r.Context(), by, in.Hash, t.Changes); err != nil {
			s.no(w, r, http.StatusConflict, err)
			return
		}
	}
	writeJSON(w, http.StatusOK, registerReply{Reply: event.Reply{Done: true}})
}

// fileTime is how long the file of a certificate may take to arrive.
const fileTime = 30 * time.Second

// keepCertificate keeps the file of a certificate, and answers with its SHA-256. Nothing names it
// until the ring or the gauge is saved.
func (s *Server) keepCertificate(w http.ResponseWriter, r *http.Request) {
	if why := s.barred(r); !why.IsZero() {
		s.no(w, r, http.StatusForbidden, why)
		return
	}
	if !s.cfg.Gate.admits(r, time.Now()) {
		s.no(w, r, http.StatusUnauthorized, analysis.Say("page.refused.passphrase"))
		return
	}
	// A form of another site can send none of these without asking first.
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || !slices.Contains([]string{"application/pdf", "image/png", "image/jpeg"}, kind) || !ownOrigin(r) {
		s.turned(wrongOrigin, peer(r), "")
		s.no(w, r, http.StatusForbidden, analysis.Say("register.no_certificate"))
		return
	}
	_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(fileTime)) // where it can't be set, the usual one holds
	content, err := io.ReadAll(http.MaxBytesReader(w, r.Body, register.MostFile))
	if tooLong := (*http.MaxBytesError)(nil); errors.As(err, &tooLong) {
		s.no(w, r, http.StatusRequestEntityTooLarge, analysis.Say("register.large", register.MostFile>>20))
		return
	} else if err != nil {
		s.no(w, r, http.StatusRequestTimeout, analysis.Say("page.refused.slow"))
		return
	}
	name, err := register.Keep(s.cfg.Certificates, content)
	if said := (analysis.Phrase{}); errors.As(err, &said) {
		s.no(w, r, http.StatusUnprocessableEntity, said)
		return
	} else if err != nil {
		s.log.Error().Err(err).Msg("the file of a certificate is not kept")
		s.no(w, r, http.StatusInternalServerError, analysis.Say("register.not_kept", s.cfg.Certificates, err))
		return
	}
	writeJSON(w, http.StatusOK, map[string]string{"file": name})
}

// certificate serves the file of a certificate, to be kept and not to be shown: it may hold anything.
func (s *Server) certificate(w http.ResponseWriter, r *http.Request) {
	content, media, file, err := register.Kept(s.cfg.Certificates, r.PathValue("file"))
	if err != nil {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("register.no_file"))
		return
	}
	h := w.Header()
	h.Set("Content-Type", media)
	h.Set("Content-Disposition", `attachment; filename="`+filepath.Base(file)+`"`)
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Cache-Control", "private, max-age=31536000, immutable")
	_, _ = w.Write(content) // the viewer has gone, so nobody can be told
}
