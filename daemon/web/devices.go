package web

import (
	"net/http"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/web/guide"
)

// lent is what this server lends to the set-up. What opens ports is for those who may change the
// configuration. A stream carries no PIN, so that it asks for no more than a passphrase.
func (s *Server) lent() guide.Pages {
	near := func(w http.ResponseWriter, r *http.Request) bool {
		if s.far(r) {
			s.no(w, r, http.StatusForbidden, analysis.Say("page.refused.far"))
			return false
		}
		return true
	}
	return guide.Pages{
		Admits: func(w http.ResponseWriter, r *http.Request) bool { return near(w, r) && s.admitted(w, r) },
		Posted: func(w http.ResponseWriter, r *http.Request, into any) bool { return near(w, r) && s.posted(w, r, into) },
		SetsUp: func(w http.ResponseWriter, r *http.Request, p guide.Person) bool {
			_, ok := s.settingUp(w, r, &changer{Person: p.Person, PIN: p.PIN, Badge: p.Badge})
			return ok
		},
		Words: s.words, Answer: writeJSON, No: s.no, Stopped: s.stop,
	}
}

// admitted refuses a request that does not come from a page of this server in a browser that may act.
func (s *Server) admitted(w http.ResponseWriter, r *http.Request) bool {
	switch {
	case !s.cfg.Actions:
		s.no(w, r, http.StatusForbidden, analysis.Say("page.refused.shows"))
	case !ownOrigin(r):
		s.no(w, r, http.StatusForbidden, analysis.Say("page.refused.foreign"))
	case !s.cfg.Gate.admits(r, time.Now()):
		s.no(w, r, http.StatusUnauthorized, analysis.Say("page.refused.passphrase"))
	default:
		return true
	}
	return false
}
