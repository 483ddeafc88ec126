package web

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/limit"
)

// Times that bound how long a connection may hold its place without doing something.
const (
	headTime  = 5 * time.Second  // the head of a request must have come
	readTime  = 10 * time.Second // the whole request must have come
	takenTime = 15 * time.Second // an answer must have been taken, counted from the request
	idleTime  = 2 * time.Minute  // the next request must have begun
)

// The reasons for which something is refused, as they are counted and logged.
const (
	wrongPassphrase = iota
	tooMany
	wrongHost
	wrongOrigin
	noPlace
	wrongPIN
	reasons
)

// reason returns the name of a reason in the metrics, and what the log says.
func reason(why int) (name, said string) {
	r := [reasons][2]string{
		{"passphrase", "wrong passphrase at the page"},
		{"guesses", "too many wrong passphrases, PINs or badges at the page: more are not looked at for now"},
		{"host", "a page was asked for by a name that is not this machine's; if it is, put it under web.names"},
		{"origin", "another site's page tried to act"},
		{"connections", "too many connections to the page from one address, or in all"},
		{"pin", "wrong PIN or badge at the page"},
	}[why]
	return r[0], r[1]
}

// refusals counts what was refused, and keeps the log short.
type refusals [reasons]struct {
	count atomic.Uint64
	lines limit.Seldom
}

// turned counts a refusal and logs it, unless the same was logged just before.
func (s *Server) turned(why int, from netip.Addr, what string) {
	x := &s.refusals[why]
	x.count.Add(1)
	held, write := x.lines.Line(time.Now())
	if !write {
		return
	}
	_, said := reason(why)
	e := s.log.Warn().Stringer("from", from)
	if what != "" {
		e = e.Str("name", what)
	}
	e.Uint64("not_shown", held).Msg(said)
}

// Refused returns how often the page refused something, by reason.
func (s *Server) Refused() map[string]uint64 {
	out := map[string]uint64{}
	for why := range reasons {
		name, _ := reason(why)
		out[name] = s.refusals[why].count.Load()
	}
	return out
}

// guarded bounds what a request may take, and refuses one that asks for this server by a name which
// is not its own. A page of another site, whose name was made to point here, could read everything
// otherwise. The headers of an answer keep a page of this server from loading anything else, and
// from being loaded by anything else.
func (s *Server) guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		conn := http.NewResponseController(w)
		if r.Method != http.MethodPost && r.ContentLength != 0 {
			_ = conn.SetReadDeadline(time.Now()) // nothing reads such a body, so that it must not hold the connection
			h.Set("Connection", "close")
			s.refuse(w, r, http.StatusBadRequest, analysis.Say("page.refused.body"))
			return
		}
		if r.ContentLength == 0 {
			_ = conn.SetReadDeadline(time.Time{}) // the request has come
		}
		r, through := s.unproxied(r)
		if host := hostName(r); !ownName(host, s.cfg.Names) {
			s.turned(wrongHost, peer(r), host)
			s.deny(w, r, http.StatusForbidden, analysis.Say("page.refused.name", host))
			return
		}
		if through {
			leave, ok := s.proxied.Take(peer(r))
			if !ok {
				s.turned(noPlace, peer(r), "")
				s.deny(w, r, http.StatusServiceUnavailable, analysis.Say("page.refused.crowd"))
				return
			}
			defer leave()
		}
		next.ServeHTTP(w, r)
	})
}

// unproxied returns a request as the client sent it to a trusted proxy: with the client's address in
// RemoteAddr. That is the last address of X-Forwarded-For which is not a trusted proxy's. What stands
// before it, the client may have made up.
func (s *Server) unproxied(r *http.Request) (_ *http.Request, proxied bool) {
	const header = "X-Forwarded-For"
	if !limit.Within(peer(r), s.cfg.Proxies) {
		if r.Header.Get(header) != "" {
			if _, write := s.strange.Line(time.Now()); write {
				s.log.Warn().Stringer("from", peer(r)).Msg("requests come through a proxy that is not under web.proxies: all who come through it share its bounds")
			}
		}
		return r, false
	}
	client := peer(r)
	for _, hop := range slices.Backward(strings.Split(strings.Join(r.Header.Values(header), ","), ",")) {
		at, ok := hopAddr(strings.TrimSpace(hop))
		if !ok {
			break
		}
		client = at
		if !limit.Within(at, s.cfg.Proxies) {
			break
		}
	}
	r = r.WithContext(context.WithValue(r.Context(), proxiedKey{}, true))
	r.RemoteAddr = netip.AddrPortFrom(client, 0).String()
	return r, true
}

// hopAddr reads an address as proxies write it: alone, in brackets, or with a port.
func hopAddr(text string) (netip.Addr, bool) {
	if at, err := netip.ParseAddrPort(text); err == nil {
		return at.Addr().Unmap(), true
	}
	at, err := netip.ParseAddr(strings.Trim(text, "[]"))
	return at.Unmap(), err == nil
}

// proxiedKey marks a request that came through a trusted proxy.
type proxiedKey struct{}

func proxied(r *http.Request) bool {
	is, _ := r.Context().Value(proxiedKey{}).(bool)
	return is
}

// byTLS reports whether the client came by TLS, here or to a trusted proxy that says so.
func byTLS(r *http.Request) bool {
	return r.TLS != nil || proxied(r) && strings.EqualFold(r.Header.Get("X-Forwarded-Proto"), "https")
}

// deny answers why a request is not looked at, in the form that its sender understands.
func (s *Server) deny(w http.ResponseWriter, r *http.Request, status int, why analysis.Phrase) {
	if r.Method == http.MethodPost {
		s.no(w, r, status, why)
	} else {
		s.refuse(w, r, status, why)
	}
}

// hostName returns the name by which a request asks for this server, without its port. It has no
// more characters than a name may have.
func hostName(r *http.Request) string {
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
	return host[:min(len(host), mostHost)]
}

// mostHost is the length of the longest name of a host (RFC 1035, section 2.3.4).
const mostHost = 253

// ownName reports whether a host is this machine by a name that the shop uses: an address, a name
// that nobody else can have registered, or one of names. A page from elsewhere, whose name was made
// to point here, has another name. No such name is an address, since a browser looks up none.
func ownName(host string, names []string) bool {
	if _, err := netip.ParseAddr(host); err == nil || !strings.Contains(host, ".") {
		return true
	}
	for _, end := range []string{".local", ".localhost", ".lan", ".internal", ".home.arpa", ".localdomain"} {
		if strings.HasSuffix(host, end) {
			return true
		}
	}
	here, err := os.Hostname()
	return err == nil && strings.EqualFold(here, host) || slices.ContainsFunc(names, func(n string) bool { return strings.EqualFold(n, host) })
}
