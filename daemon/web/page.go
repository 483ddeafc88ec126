package web

import (
	"bytes"
	"embed"
	"html/template"
	"io/fs"
	"net/http"
)

//go:embed static templates
var files embed.FS

// static serves the styles and scripts that the pages need.
func static() http.Handler {
	sub, err := fs.Sub(files, "static")
	if err != nil { // the folder is embedded, so this can't be
		return http.NotFoundHandler()
	}
	return http.FileServerFS(sub)
}

func pages() (*template.Template, error) {
	return template.ParseFS(files, "templates/*.html")
}

// index shows the stations; with one station it goes straight there.
func (s *Server) index(w http.ResponseWriter, r *http.Request) {
	list := s.src.Stations()
	if len(list) == 1 {
		http.Redirect(w, r, "/station/"+list[0].Name, http.StatusFound)
		return
	}
	s.render(w, "index.html", list)
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
		Version string
	}{st, s.cfg.Actions, s.cfg.Version})
}

func (s *Server) render(w http.ResponseWriter, page string, data any) {
	t, err := pages()
	var b bytes.Buffer
	if err == nil {
		err = t.ExecuteTemplate(&b, page, data)
	}
	if err != nil {
		s.log.Error().Err(err).Str("page", page).Msg("page not made")
		http.Error(w, "the page could not be made; see the log", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(b.Bytes()) // the viewer is gone; nothing is left to tell it
}
