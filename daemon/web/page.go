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

	"fairbore/analysis"
)

//go:embed static templates
var files embed.FS

// static serves the styles and scripts that the pages need.
func static() http.Handler {
	sub, err := fs.Sub(files, "static")
	if err != nil { // the folder is embedded, so this can't be
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

// build names what the pages are made of: a page that finds it changed loads
// itself anew.
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

func pages() (*template.Template, error) {
	return template.New("").Funcs(template.FuncMap{"dict": dict}).ParseFS(files, "templates/*.html")
}

// dict makes the data of a template that is used many times, from pairs of name
// and value.
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

// index goes to the wall of stations; with one station, that is here, straight to that.
func (s *Server) index(w http.ResponseWriter, r *http.Request) {
	to := "/wall"
	_, far := s.src.(Presence)
	if list := s.src.Stations(); len(list) == 1 && !far {
		to = "/station/" + url.PathEscape(list[0].Name)
	}
	http.Redirect(w, r, to, http.StatusFound)
}

func (s *Server) station(w http.ResponseWriter, r *http.Request) {
	st, ok := s.known(r.PathValue("name"))
	if !ok {
		http.Error(w, "no such station", http.StatusNotFound)
		return
	}
	s.render(w, "station.html", struct {
		Station
		Actions bool
		Jobs    []*analysis.Job
		History bool
		Enter   bool // a new job may be entered
	}{st, s.cfg.Actions, s.jobs(st.Name), s.cfg.History != nil, s.cfg.Actions && s.cfg.Entry != nil})
}

func (s *Server) jobs(station string) []*analysis.Job {
	if s.cfg.Jobs == nil {
		return nil
	}
	return s.cfg.Jobs(station)
}

func (s *Server) render(w http.ResponseWriter, page string, data any) {
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, page, data); err != nil {
		s.log.Error().Err(err).Str("page", page).Msg("page not made")
		http.Error(w, "the page could not be made; see the log", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(b.Bytes()) // the viewer is gone; nothing is left to tell it
}
