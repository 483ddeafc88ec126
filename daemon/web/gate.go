package web

import (
	"net/http"
	"net/netip"
	"strconv"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/limit"
)

// Gate asks for a passphrase before the first action of a browser. Looking needs none.
type Gate struct {
	// Opens reports whether a passphrase is right. It may be called from any goroutine.
	Opens func(passphrase string) bool
	// Mark is something that changes with the passphrase and does not tell it, such as its hash.
	// With another mark all sessions end.
	Mark     string
	Sessions *Sessions
	Guesses  *limit.Guesses
	// Secure says that browsers come by TLS only, which a proxy ends.
	Secure bool
}

// cookie is the name of the cookie that holds a session.
const cookie = "fairbore"

// admits reports whether a request comes from a browser that may act. Without a gate every browser
// may.
func (g *Gate) admits(r *http.Request, now time.Time) bool {
	if g == nil {
		return true
	}
	c, err := r.Cookie(cookie)
	return err == nil && g.Sessions.holds(c.Value, g.Mark, now)
}

// signIn checks a passphrase and sets the cookie. Guesses have a budget, see [limit.Guesses].
func (s *Server) signIn(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Passphrase string `json:"passphrase"`
	}
	if !s.read(w, r, &in) {
		return
	}
	g := s.cfg.Gate
	from := peer(r)
	v := g.Guesses.Check(r.Context(), from, "page", func() bool { return g.Opens(in.Passphrase) })
	if s.guessedWrong(w, r, v, "page.refused.guessed", wrongPassphrase, analysis.Say("page.refused.wrong")) {
		return
	}
	s.setCookie(w, r, g.Sessions.begin(g.Mark, time.Now()), int(signedFor.Seconds()))
	writeJSON(w, http.StatusOK, event.Reply{Done: true})
}

// guessedWrong refuses a request after a guess that was wrong, or that came too soon after others;
// wait is the code of what is said then. It reports whether it has refused.
func (s *Server) guessedWrong(w http.ResponseWriter, r *http.Request, v limit.Verdict, wait string, as int, wrong analysis.Phrase) bool {
	switch {
	case v.Wait > 0:
		s.turned(tooMany, peer(r), "")
		seconds := int(v.Wait/time.Second) + 1
		w.Header().Set("Retry-After", strconv.Itoa(seconds))
		s.no(w, r, http.StatusTooManyRequests, analysis.Say(wait, seconds))
	case !v.Right:
		s.turned(as, peer(r), "")
		s.no(w, r, http.StatusForbidden, wrong)
	default:
		return false
	}
	return true
}

// signOut ends the session of a browser: its cookie is useless from then on, wherever it is kept.
func (s *Server) signOut(w http.ResponseWriter, r *http.Request) {
	var in struct{}
	if !s.read(w, r, &in) {
		return
	}
	if c, err := r.Cookie(cookie); err == nil {
		s.cfg.Gate.Sessions.end(c.Value, s.cfg.Gate.Mark, time.Now())
	}
	s.setCookie(w, r, "", -1)
	writeJSON(w, http.StatusOK, event.Reply{Done: true})
}

// setCookie sets the cookie for a number of seconds.
func (s *Server) setCookie(w http.ResponseWriter, r *http.Request, value string, age int) {
	http.SetCookie(w, &http.Cookie{
		Name: cookie, Value: value, Path: "/", MaxAge: age,
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: s.cfg.Gate.Secure || byTLS(r),
	})
}

// signed reports whether a browser has a session that it can end.
func (s *Server) signed(r *http.Request) bool {
	return s.cfg.Gate != nil && s.cfg.Gate.admits(r, time.Now())
}

// peer returns the address that a request came from.
func peer(r *http.Request) netip.Addr { return limit.From(r.RemoteAddr) }
