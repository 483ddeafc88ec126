package web

import (
	"net/http"
	"slices"

	"fairbore/daemon/state"
	"fairbore/daemon/web/help"
)

// screens returns the pages that explain themselves.
func screens() []string {
	return []string{"station", "wall", "history", "records", "plan", "study", "job", "register", "setup"}
}

// help serves the page that explains. A query names the screen that it was opened on, the station,
// and codes of what is shown there; with part it answers the piece that a dialog shows.
func (s *Server) help(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	codes := q["code"]
	if b := s.src.Bore(q.Get("station")); b != nil {
		codes = append(codes, shownCodes(b)...)
	}
	p := struct {
		Screen string
		Now    []help.Topic // what it is about now
		Rest   []help.Topic
	}{Now: help.All(codes...)}
	if screen := q.Get("screen"); slices.Contains(screens(), screen) {
		p.Screen = screen
	}
	page := "help.html"
	if q.Has("part") {
		page = "help-part"
	} else {
		p.Rest = help.Topics()
	}
	s.render(w, r, page, p)
}

// shownCodes returns the codes of what the page of a station shows, the most important first.
func shownCodes(b *state.Bore) (codes []string) {
	if b.Refused != nil {
		codes = append(codes, b.Refused.Reason.Code)
	}
	codes = append(codes, "is."+string(b.Now.Is), b.Now.Reason.Code)
	for _, c := range b.Cautions {
		codes = append(codes, c.Code)
	}
	return codes
}
