package web

import (
	"cmp"
	"net/http"

	"golang.org/x/text/language"

	"fairbore/analysis/notation"
)

// languageCookie holds the tag of the language that a browser has chosen.
const languageCookie = "fairbore_language"

// languageKept is how long a browser keeps its choice, in seconds: 400 days, the most that
// browsers allow (RFC 6265bis, 5.5).
const languageKept = 400 * 24 * 60 * 60

// language returns the language of a page: the one that the address asks for with ?lang=, or the
// one that the browser has chosen, or the first of the browser's own that is known, or the shop's.
// A wall has the shop's before the browser's own, since its browser is nobody's.
func (s *Server) language(r *http.Request) *notation.Language {
	if l := s.spoken(r.URL.Query().Get("lang")); l != nil {
		return l
	}
	if c, err := r.Cookie(languageCookie); err == nil {
		if l := s.spoken(c.Value); l != nil {
			return l
		}
	}
	if s.cfg.Language != nil && r.URL.Path == "/wall" {
		return s.cfg.Language
	}
	liked, _, _ := language.ParseAcceptLanguage(r.Header.Get("Accept-Language")) // a wrong header says nothing
	for _, tag := range liked {
		base, _ := tag.Base()
		if l := s.spoken(base.String()); l != nil {
			return l
		}
	}
	return cmp.Or(s.cfg.Language, notation.English())
}

// spoken returns the language of a tag, nil if no page has it.
func (s *Server) spoken(tag string) *notation.Language {
	for _, l := range s.cfg.Languages {
		if l.Tag == tag {
			return l
		}
	}
	return nil
}

// keepLanguage has a browser keep the language that it has just asked for.
func (s *Server) keepLanguage(w http.ResponseWriter, r *http.Request) {
	if l := s.spoken(r.URL.Query().Get("lang")); l != nil {
		http.SetCookie(w, &http.Cookie{Name: languageCookie, Value: l.Tag, Path: "/", MaxAge: languageKept, SameSite: http.SameSiteLaxMode, HttpOnly: true})
	}
}
