package web

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/limit"
)

// testGate opens to "oil and stones".
func testGate(t testing.TB) *Gate {
	return &Gate{
		Opens: func(p string) bool { return p == "oil and stones" }, Mark: "a hash",
		Sessions: OpenSessions(filepath.Join(t.TempDir(), "sessions"), zerolog.Nop()), Guesses: limit.NewGuesses(time.Now),
	}
}

func gated(t *testing.T) (*Server, *shop) {
	cfg, src := everything(true)
	cfg.Gate = testGate(t)
	return serve(t, cfg, src), src
}

// signed posts a passphrase and returns the status and the cookie that came of it.
func signed(t *testing.T, s *Server, passphrase string) (int, string) {
	t.Helper()
	req, err := http.NewRequest(http.MethodPost, "http://"+s.Addr()+"/login", strings.NewReader(`{"passphrase":`+strconv.Quote(passphrase)+`}`))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	cookies := resp.Cookies()
	if len(cookies) == 0 {
		return resp.StatusCode, ""
	}
	c := cookies[0]
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode {
		t.Errorf("cookie %+v can be read by a script or sent by another site", c)
	}
	return resp.StatusCode, c.Name + "=" + c.Value
}

// With a passphrase set, everybody may look and nobody acts without it; what a
// browser keeps of it can't be made up, changed, or used for longer.
func TestGate(t *testing.T) {
	s, src := gated(t)
	if status, _, _ := get(t, s, "/station/rough"); status != http.StatusOK {
		t.Errorf("looking: %d", status)
	}
	act := func(ticket string) int {
		header := map[string]string{}
		if ticket != "" {
			header["Cookie"] = ticket
		}
		status, _ := post(t, s, "/station/rough/do", `{"id":"1","do":"record"}`, header)
		return status
	}
	g := s.cfg.Gate
	now := time.Now()
	old := g.Sessions.begin(g.Mark, now.Add(-signedFor-time.Second))
	far := g.Sessions.begin(g.Mark, now.Add(time.Hour)) // the clock was set back, or the cookie says what none can say
	other := g.Sessions.begin("another hash", now)
	_, good := signed(t, s, "oil and stones")
	_, session, _ := strings.Cut(good, "=")
	until, rest, _ := strings.Cut(session, ".")
	later := strconv.FormatInt(now.Add(signedFor/2).Unix(), 10)
	byHash := hmac.New(sha256.New, []byte(g.Mark)) // whoever reads the configuration knows the hash
	byHash.Write([]byte("fairbore page " + later))
	for what, ticket := range map[string]string{
		"none": "", "empty": cookie + "=", "dots": cookie + "=..", "made up": cookie + "=" + later + ".x." + strings.Repeat("0", 64),
		"of another passphrase": cookie + "=" + other, "over": cookie + "=" + old, "too far": cookie + "=" + far, "for longer": cookie + "=" + later + "." + rest,
		"without its id": cookie + "=" + until + "." + rest[strings.Index(rest, ".")+1:], "made of the hash": cookie + "=" + later + "." + hex.EncodeToString(byHash.Sum(nil)),
	} {
		if status := act(ticket); status != http.StatusUnauthorized {
			t.Errorf("%s: %d", what, status)
		}
	}
	if status, _ := post(t, s, "/station/ready/job", `{"id":"1","text":{},"save":true}`, nil); status != http.StatusUnauthorized {
		t.Errorf("a job without passphrase: %d", status)
	}
	if len(src.did) > 0 {
		t.Fatalf("done without passphrase: %+v", src.did)
	}
	if status := act(good); status != http.StatusOK || len(src.did) != 1 {
		t.Errorf("with the passphrase: %d", status)
	}
}

// A session lasts over a restart, and ends for good where it is signed out: its
// cookie is useless, wherever it was kept.
func TestSignOut(t *testing.T) {
	s, src := gated(t)
	act := func(s *Server, ticket string) int {
		status, _ := post(t, s, "/station/rough/do", `{"id":"1","do":"record"}`, map[string]string{"Cookie": ticket})
		return status
	}
	out := func(ticket string, header map[string]string) int {
		h := map[string]string{"Cookie": ticket}
		maps.Copy(h, header)
		status, _ := post(t, s, "/logout", `{}`, h)
		return status
	}
	_, mine := signed(t, s, "oil and stones")
	_, another := signed(t, s, "oil and stones")
	if status := out(mine, map[string]string{"Origin": "http://evil.example"}); status != http.StatusForbidden || act(s, mine) != http.StatusOK {
		t.Errorf("another site signs out: %d", status)
	}
	if status := out(mine, nil); status != http.StatusOK || act(s, mine) != http.StatusUnauthorized {
		t.Errorf("signed out: %d, and then %d", status, act(s, mine))
	}
	if status := out(mine, nil); status != http.StatusOK {
		t.Errorf("signed out again: %d", status)
	}
	again := *s.cfg.Gate
	again.Sessions = OpenSessions(s.cfg.Gate.Sessions.path, zerolog.Nop())
	s2 := serve(t, Config{Actions: true, Gate: &again}, src)
	if act(s2, mine) != http.StatusUnauthorized || act(s2, another) != http.StatusOK {
		t.Errorf("after a restart: %d and %d", act(s2, mine), act(s2, another))
	}
	again.Mark = "another hash"
	if status := act(s2, another); status != http.StatusUnauthorized {
		t.Errorf("with another passphrase: %d", status)
	}
}

// The button to sign out is on the page of a browser that is signed in.
func TestSignOutIsOffered(t *testing.T) {
	s, _ := gated(t)
	_, ticket := signed(t, s, "oil and stones")
	for cookie, want := range map[string]string{"": `<p id="signed" hidden>`, ticket: `<p id="signed">`} {
		req, err := http.NewRequest(http.MethodGet, "http://"+s.Addr()+"/station/rough", nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Cookie", cookie)
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		if body, err := io.ReadAll(resp.Body); err != nil || !strings.Contains(string(body), want) {
			t.Errorf("%q: no %s (%v)", cookie, want, err)
		}
	}
	cfg, src := everything(true)
	if _, _, body := get(t, serve(t, cfg, src), "/station/rough"); strings.Contains(body, "sign-out") {
		t.Error("one may sign out where no passphrase is asked for")
	}
}

// The file of the sessions is for the program alone. One that others could read, or
// that is damaged, is made anew, and one that can't be written stops nothing.
func TestSessionFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "sessions")
	now := time.Now()
	s := OpenSessions(path, zerolog.Nop())
	ticket := s.begin("m", now)
	at, err := os.Stat(path)
	if err != nil || at.Mode().Perm() != 0o600 && runtime.GOOS != "windows" {
		t.Fatalf("the file: %v, %v", at, err)
	}
	if !OpenSessions(path, zerolog.Nop()).holds(ticket, "m", now) {
		t.Error("a session ended with the program")
	}
	for what, spoil := range map[string]func() error{
		"torn":  func() error { return os.Truncate(path, 20) },
		"empty": func() error { return os.WriteFile(path, []byte(`{"key":""}`), 0o600) },
		"without the sessions that were ended": func() error {
			return os.WriteFile(path, []byte(`{"key":"`+strings.Repeat("A", 43)+`="}`), 0o600)
		},
		"readable": func() error { return os.Chmod(path, 0o644) },
		"a link": func() error {
			return errors.Join(os.Rename(path, path+"2"), os.Symlink(path+"2", path))
		},
	} {
		if what == "readable" && runtime.GOOS == "windows" {
			continue
		}
		was := OpenSessions(path, zerolog.Nop()).begin("m", now)
		if err := spoil(); err != nil {
			t.Fatal(err)
		}
		s := OpenSessions(path, zerolog.Nop())
		if s.holds(was, "m", now) || !s.holds(s.begin("m", now), "m", now) {
			t.Errorf("%s: the old key is in force", what)
		}
		if at, err := os.Lstat(path); err != nil || !at.Mode().IsRegular() || at.Mode().Perm() != 0o600 && runtime.GOOS != "windows" {
			t.Errorf("%s: the file is %v, %v", what, at, err)
		}
		s.end(s.begin("m", now), "m", now)
	}
	s = OpenSessions(filepath.Join(path, "none", "sessions"), zerolog.Nop())
	mine := s.begin("m", now)
	if s.end(mine, "m", now); s.holds(mine, "m", now) {
		t.Error("without a file nobody can sign out")
	}
}

// A browser that signs out while the disk takes its time holds up nobody else, and is out at once.
func TestSignOutOnASlowDisk(t *testing.T) {
	s := OpenSessions(filepath.Join(t.TempDir(), "sessions"), zerolog.Nop())
	now := time.Now()
	leaves, stays := s.begin("m", now), s.begin("m", now)
	s.writing.Lock() // as though the file were being written
	done := make(chan struct{})
	go func() {
		defer close(done)
		s.end(leaves, "m", now)
	}()
	for s.holds(leaves, "m", now) {
		time.Sleep(time.Millisecond)
	}
	if !s.holds(stays, "m", now) {
		t.Error("the other browser is out too")
	}
	s.writing.Unlock()
	<-done
	if OpenSessions(s.path, zerolog.Nop()).holds(leaves, "m", now) {
		t.Error("a restart lets it in again")
	}
}

// What is remembered of those who signed out is bounded.
func TestManySignOuts(t *testing.T) {
	s := OpenSessions(filepath.Join(t.TempDir(), "none", "sessions"), zerolog.Nop()) // it can't be written, which takes no time
	now := time.Now()
	s.end(s.begin("m", now), "m", now)
	now = now.Add(signedFor + time.Second)
	s.end(s.begin("m", now), "m", now)
	if n := len(s.kept.Ended); n != 1 {
		t.Errorf("%d are remembered, one of them long over", n)
	}
	stays := s.begin("m", now)
	for range mostEnded {
		mine := s.begin("m", now)
		if s.end(mine, "m", now); s.holds(mine, "m", now) {
			t.Fatal("a session goes on that was signed out")
		}
	}
	if n := len(s.kept.Ended); n > mostEnded || s.holds(stays, "m", now) {
		t.Errorf("%d are remembered", n)
	}
}

// After several wrong passphrases an address waits some seconds, even with the right
// one. Who has signed in before from there doesn't.
func TestGuessing(t *testing.T) {
	s, _ := gated(t)
	guess := func(wrong int) {
		t.Helper()
		for i := range wrong {
			if status, _ := signed(t, s, "guess "+strconv.Itoa(i)); status != http.StatusForbidden {
				t.Fatalf("guess %d: %d", i, status)
			}
		}
	}
	guess(4)
	if status, ticket := signed(t, s, "oil and stones"); status != http.StatusOK || ticket == "" {
		t.Fatalf("the right one: %d", status)
	}
	guess(5)
	if status, ticket := signed(t, s, "oil and stones"); status != http.StatusTooManyRequests || ticket != "" {
		t.Errorf("the next one is tried at once: %d %s", status, ticket)
	}
	if n := s.Refused(); n["passphrase"] != 9 || n["guesses"] != 1 {
		t.Errorf("counted: %v", n)
	}
}

// The cookie is sent over TLS alone where the browser came by it.
func TestCookieIsSecure(t *testing.T) {
	cfg, src := everything(true)
	cfg.Gate = testGate(t)
	cfg.Proxies = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}
	s := serve(t, cfg, src)
	for _, c := range []struct {
		from, proto string
		secure      bool
		want        bool
	}{
		{"127.0.0.1:1", "https", false, true}, {"127.0.0.1:1", "http", false, false}, {"127.0.0.1:1", "", false, false},
		{"192.0.2.1:1", "https", false, false}, {"192.0.2.1:1", "", true, true},
	} {
		s.cfg.Gate.Secure = c.secure
		r := httptest.NewRequest(http.MethodPost, "/login", strings.NewReader(`{"passphrase":"oil and stones"}`))
		r.Host, r.RemoteAddr = "bay2", c.from
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("X-Forwarded-Proto", c.proto)
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		if got := w.Result().Cookies(); len(got) != 1 || got[0].Secure != c.want {
			t.Errorf("%+v: %d, %v", c, w.Code, got)
		}
	}
}
