package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"html/template"
	"io/fs"
	"net/http"
	"net/url"
	"strings"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/state"
	"fairbore/daemon/web/view"
)

//go:embed static templates
var files embed.FS

// static serves the style sheets and scripts of the pages.
func static() http.Handler {
	sub, err := fs.Sub(files, "static")
	if err != nil { // can't happen, since the folder is embedded
		return http.NotFoundHandler()
	}
	serve := http.FileServerFS(sub)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "" || strings.HasSuffix(r.URL.Path, "/") { // folders are not listed
			http.NotFound(w, r)
			return
		}
		serve.ServeHTTP(w, r)
	})
}

// build identifies the files that the pages are made of. A page reloads itself when it has changed.
func build() (string, error) {
	sum := sha256.New()
	err := fs.WalkDir(files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := files.ReadFile(path)
		sum.Write(b)
		return err
	})
	return hex.EncodeToString(sum.Sum(nil)[:6]), err
}

// band is what a page says of a shop that is simulated.
type band struct {
	Shown bool // from the start; a script shows it later
	Demo  bool // all that the server serves is simulated
	Says  []string
}

// band returns the band of a page, of which itself is simulated or not.
func (c *Config) band(f notation.Format) func(itself bool) band {
	return func(itself bool) band {
		b := band{Shown: c.Simulated || itself, Demo: c.Simulated, Says: []string{f.Text("page.simulated.says")}}
		if c.Speed > 0 && c.Speed != 1 {
			b.Says = append(b.Says, f.Text("page.simulated.clock", f.Plain(c.Speed)))
		}
		return b
	}
}

// pages returns the templates in a language. In them t gives the text of a code with its values,
// language the tag of the language, languages those to choose from, texts the texts for scripts, and band what is said of a shop
// that is simulated.
func pages(l *notation.Language, c *Config) (*template.Template, error) {
	f := notation.Format{Language: l}
	return template.New("").Funcs(template.FuncMap{
		"dict": dict, "t": f.Text, "texts": l.Texts, "language": func() string { return l.Tag }, "languages": func() []*notation.Language { return c.Languages }, "moment": f.Moment, "size": f.Size, "n": f.Marked, "digits": func() []int { return []int{1, 2, 3, 4, 5, 6, 7, 8, 9} }, "band": c.band(f),
	}).ParseFS(files, "templates/*.html")
}

// dict makes the data of a template from pairs of name and value.
func dict(pairs ...string) (map[string]string, error) {
	if len(pairs)%2 != 0 {
		return nil, errors.New("dict: want pairs of name and value")
	}
	m := map[string]string{}
	for i := 0; i < len(pairs); i += 2 {
		m[pairs[i]] = pairs[i+1]
	}
	return m, nil
}

// index redirects to the wall of stations or, if there is only one station and it is here, to its
// page. Without a station it redirects to the set-up.
func (s *Server) index(w http.ResponseWriter, r *http.Request) {
	s.keepLanguage(w, r)
	to := "/wall"
	switch list := s.src.Stations(); {
	case len(list) == 0 && s.cfg.Guide != nil && s.cfg.Actions:
		to = "/setup"
	case len(list) == 1 && !s.cfg.Wall:
		to = "/station/" + url.PathEscape(list[0].Name)
	}
	http.Redirect(w, r, to, http.StatusFound)
}

// stationPage is the page of a station. It has the state of the station at that moment, so that a
// person reads it before, and without, the first message of the stream.
type stationPage struct {
	Station
	Actions bool
	Jobs    []*analysis.Job
	History bool
	Enter   bool // there is a form for a new job

	Register bool // there is a page of rings and gauges

	SetUp  bool // the set-up can be changed
	Gate   bool // a passphrase is asked for
	Signed bool // and this browser has given it
	Face   view.Station
	Cut    template.HTML

	Simulated bool
}

func (s *Server) station(w http.ResponseWriter, r *http.Request) {
	st, ok := s.known(r.PathValue("name"))
	if !ok {
		s.refuse(w, r, http.StatusNotFound, analysis.Say("page.no_station"))
		return
	}
	p := stationPage{
		Station: st, Actions: s.cfg.Actions, Jobs: s.jobs(st.Name), History: s.cfg.History != nil,
		Enter: s.cfg.Actions && s.cfg.Entry != nil, Register: s.cfg.Setup != nil, Gate: s.cfg.Gate != nil, Signed: s.signed(r), SetUp: s.cfg.Guide != nil && s.barred(r).IsZero(),
	}
	if b := s.src.Bore(st.Name); b != nil {
		l := s.look(r)
		p.Simulated = b.Simulated
		p.Face = s.stationView(b, l.format(b.Job))
		p.Cut = template.HTML(l.draw(b).Cut) // picture escapes its text
	}
	s.render(w, r, "station.html", p)
}

// stationView returns what a person reads of a station on the page at the machine, with the rings to
// choose from and what can be undone where the page may act.
func (s *Server) stationView(b *state.Bore, f notation.Format) view.Station {
	v := view.Of(b, f)
	if s.cfg.Actions && s.cfg.Entry != nil {
		v.Offer(b, s.cfg.Entry.Rings(b.Station), f)
		v.Undoing(b, time.Now(), f)
	}
	if s.makes() && s.cfg.History != nil {
		v.Papers(b, f)
	}
	return v
}

func (s *Server) jobs(station string) []*analysis.Job {
	if s.cfg.Jobs == nil {
		return nil
	}
	return s.cfg.Jobs(station)
}

func (s *Server) render(w http.ResponseWriter, r *http.Request, page string, data any) {
	var b bytes.Buffer
	if err := s.pages[s.language(r)].ExecuteTemplate(&b, page, data); err != nil {
		s.log.Error().Err(err).Str("page", page).Msg("page not made")
		s.refuse(w, r, http.StatusInternalServerError, analysis.Say("page.not_made"))
		return
	}
	s.keepLanguage(w, r)
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(b.Bytes()) // the viewer has gone, so nobody can be told
}

// refuse answers with words why a page does not exist.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, status int, why analysis.Phrase) {
	http.Error(w, s.words(r).Say(why), status)
}

// failed logs an error, and answers with words.
func (s *Server) failed(w http.ResponseWriter, r *http.Request, what analysis.Phrase, err error) {
	s.log.Error().Err(err).Msg(what.Code)
	s.refuse(w, r, http.StatusInternalServerError, what)
}
