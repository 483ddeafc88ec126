package web

import (
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"
)

func gated(t *testing.T) (*Server, *shop) {
	cfg, src := everything(true)
	cfg.Gate = &Gate{Opens: func(p string) bool { return p == "oil and stones" }, Key: []byte("a key")}
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
		status, _ := post(t, s, "/station/rough/do", `{"id":"1","do":"take"}`, header)
		return status
	}
	old := s.cfg.Gate.ticket(time.Now().Add(-time.Second))
	later := strconv.FormatInt(time.Now().Add(10*signedFor).Unix(), 10)
	other := (&Gate{Key: []byte("another passphrase")}).ticket(time.Now().Add(time.Hour))
	_, good := signed(t, s, "oil and stones")
	_, signature, _ := strings.Cut(good, ".")
	for what, ticket := range map[string]string{
		"none": "", "empty": cookie + "=", "made up": cookie + "=" + later + "." + strings.Repeat("0", 64), "of another passphrase": cookie + "=" + other,
		"over": cookie + "=" + old, "for longer": cookie + "=" + later + "." + signature,
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

// Guessing gets slow: after five wrong ones an address waits, even with the right
// one, and another address doesn't.
func TestGuessing(t *testing.T) {
	s, _ := gated(t)
	for i := range freeTries {
		if status, _ := signed(t, s, "guess "+strconv.Itoa(i)); status != http.StatusForbidden {
			t.Fatalf("guess %d: %d", i, status)
		}
	}
	if status, ticket := signed(t, s, "oil and stones"); status != http.StatusTooManyRequests || ticket != "" {
		t.Errorf("the next one is tried at once: %d %s", status, ticket)
	}
	var x tries
	now := time.Unix(0, 0)
	spent := time.Duration(0)
	for range 100 {
		wait := max(0, x.wait("a", now))
		spent, now = spent+wait, now.Add(wait)
		x.wrong("a", now)
	}
	if spent < 6*time.Hour {
		t.Errorf("a hundred guesses take %s", spent)
	}
	if x.wait("b", now) > 0 {
		t.Error("an address that did nothing wrong waits")
	}
	for i := range 3 * triesKept {
		x.wrong("c"+strconv.Itoa(i), now.Add(time.Duration(i)))
	}
	if len(x.by) > triesKept {
		t.Errorf("%d addresses are remembered", len(x.by))
	}
	x.right("c3000")
	if x.by["c3000"].wrong != 0 {
		t.Error("a right one does not count as a new start")
	}
}

// A name of a stranger's that was made to lead to this machine does not act on it;
// what a shop calls its machines does.
func TestNamesOfThisServer(t *testing.T) {
	cfg, src := everything(true)
	cfg.Names = []string{"bay2.shop.example"}
	s := serve(t, cfg, src)
	for host, ok := range map[string]bool{
		"evil.example": false, "evil.example:8080": false, "127.0.0.1.evil.example": false, "notlocal": true, "x.local.evil.example": false,
		"127.0.0.1:8080": true, "[::1]:8080": true, "localhost:1": true, "bay2": true, "bay2.local": true, "Bay2.Shop.Example": true, "192.168.1.7": true,
	} {
		r := httptest.NewRequest(http.MethodPost, "/station/rough/do", strings.NewReader(`{"id":"`+host+`","do":"take"}`))
		r.Host = host
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Origin", "http://"+host)
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		if (w.Code == http.StatusOK) != ok {
			t.Errorf("%s: %d", host, w.Code)
		}
	}
}
