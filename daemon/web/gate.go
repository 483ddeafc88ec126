package web

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"net"
	"net/http"
	"net/netip"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// Gate asks for a passphrase before the first action of a browser. Looking needs none.
type Gate struct {
	// Opens reports whether a passphrase is right. It may be called from any goroutine.
	Opens func(passphrase string) bool
	// Key signs the cookie. Another passphrase must have another key.
	Key []byte
}

// signedFor is how long a browser may act before it is asked again. Nobody should be asked in the
// middle of a part, or every morning.
const signedFor = 30 * 24 * time.Hour

// cookie is the name of the cookie, which says until when the browser may act and has the signature
// of that.
const cookie = "fairbore"

func (g *Gate) ticket(until time.Time) string {
	at := strconv.FormatInt(until.Unix(), 10)
	return at + "." + g.sign(at)
}

func (g *Gate) sign(at string) string {
	m := hmac.New(sha256.New, g.Key)
	m.Write([]byte("fairbore page " + at))
	return hex.EncodeToString(m.Sum(nil))
}

// admits reports whether a request comes from a browser that may act. Without a gate every browser
// may.
func (g *Gate) admits(r *http.Request, now time.Time) bool {
	if g == nil {
		return true
	}
	c, err := r.Cookie(cookie)
	if err != nil {
		return false
	}
	at, signed, _ := strings.Cut(c.Value, ".")
	until, err := strconv.ParseInt(at, 10, 64)
	return err == nil && hmac.Equal([]byte(signed), []byte(g.sign(at))) && now.Before(time.Unix(until, 0))
}

// signIn checks a passphrase and sets the cookie. After wrong ones the address must wait, the
// longer the more there were.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Passphrase string `json:"passphrase"`
	}
	if !s.read(w, r, &in) {
		return
	}
	from, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		from = r.RemoteAddr
	}
	s.tries.one.Lock() // one at a time: a check takes long, which makes guessing slow
	defer s.tries.one.Unlock()
	if wait := s.tries.wait(from, time.Now()); wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int(wait.Seconds())+1))
		s.no(w, r, http.StatusTooManyRequests, analysis.Say("page.refused.guessed", int(wait.Seconds())+1))
		return
	}
	if !s.cfg.Gate.Opens(in.Passphrase) {
		s.tries.wrong(from, time.Now())
		s.log.Warn().Str("from", from).Msg("wrong passphrase at the page")
		s.no(w, r, http.StatusForbidden, analysis.Say("page.refused.wrong"))
		return
	}
	s.tries.right(from)
	http.SetCookie(w, &http.Cookie{
		Name: cookie, Value: s.cfg.Gate.ticket(time.Now().Add(signedFor)), Path: "/", MaxAge: int(signedFor.Seconds()),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil,
	})
	writeJSON(w, http.StatusOK, event.Reply{Done: true})
}

// tries counts wrong passphrases by address.
type tries struct {
	one sync.Mutex // held while a passphrase is checked
	by  map[string]try
}

type try struct {
	wrong int
	at    time.Time
}

// Limits for guessing. One or two mistakes cost nothing; then the wait doubles.
const (
	freeTries  = 5
	longestTry = 5 * time.Minute
	triesKept  = 1024 // addresses remembered
)

// wait returns how long an address must still wait.
func (t *tries) wait(from string, now time.Time) time.Duration {
	x := t.by[from]
	if x.wrong < freeTries {
		return 0
	}
	return x.at.Add(min(longestTry, time.Second<<min(x.wrong-freeTries+1, 20))).Sub(now)
}

func (t *tries) wrong(from string, now time.Time) {
	if t.by == nil {
		t.by = map[string]try{}
	}
	if _, known := t.by[from]; !known && len(t.by) >= triesKept {
		t.forget()
	}
	t.by[from] = try{t.by[from].wrong + 1, now}
}

// forget drops the address whose last mistake is the oldest.
func (t *tries) forget() {
	oldest := ""
	for from, x := range t.by {
		if oldest == "" || x.at.Before(t.by[oldest].at) {
			oldest = from
		}
	}
	delete(t.by, oldest)
}

func (t *tries) right(from string) { delete(t.by, from) }

// ownName reports whether a request names this machine in a way that the shop uses: by address, by
// a name that nobody else can have registered, or by one of names. A page from elsewhere whose name
// was made to point here has another name.
func ownName(r *http.Request, names []string) bool {
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
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
