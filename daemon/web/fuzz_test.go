package web

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/event"
	"fairbore/daemon/limit"
	"fairbore/daemon/web/export"
)

// asked gives a handler a request as a stranger may send it, with any bytes in it.
func asked(h http.Handler, method, path, query, body string, header map[string]string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, "http://bay2/", strings.NewReader(body))
	r.URL = &url.URL{Scheme: "http", Host: "bay2", Path: path, RawQuery: query}
	for k, v := range header {
		r.Header.Set(k, v)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// posting is the head of what a page of this server posts.
func posting() map[string]string { return map[string]string{"Content-Type": "application/json"} }

// FuzzAction posts any text as an action: it is answered in JSON, and nothing is done
// but what reads as an action.
func FuzzAction(f *testing.F) {
	cfg, src := everything(true)
	h := serve(f, cfg, src).Handler()
	for _, s := range []string{`{"id":"1","do":"record"}`, `{"do":"part","part":"\u200b"}`, `{"do":"position","position":{"depth_mm":1e400}}`, `[]`, `{}{}`, `{}}`, `{"do":"void","reading":-1}`, "\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, body string) {
		src.did = nil
		w := asked(h, http.MethodPost, "/station/rough/do", "", body, posting())
		var reply event.Reply
		if err := json.Unmarshal(w.Body.Bytes(), &reply); err != nil || w.Code >= 500 {
			t.Fatalf("%q: %d %s %v", body, w.Code, w.Body, err)
		}
		var a event.Action
		if err := json.Unmarshal([]byte(body), &a); (err != nil || len(body) > maxAction) && len(src.did) > 0 {
			t.Errorf("%q was done: %+v", body, src.did)
		}
	})
}

// madeAtOnce makes files of nothing.
type madeAtOnce struct{}

func (madeAtOnce) Make(context.Context, io.Writer, export.Wanted, func(uint64, uint64)) error {
	return nil
}

// FuzzPosted posts any text to the other addresses that take some: the job form,
// orders of records, the passphrase.
func FuzzPosted(f *testing.F) {
	cfg, src := everything(true)
	cfg.Records, cfg.Gate = madeAtOnce{}, testGate(f)
	h := serve(f, cfg, src).Handler()
	paths := []string{"/station/ready/job", "/records", "/records/stop", "/login", "/logout"}
	for i, s := range []string{`{"id":"1","text":{"id":"J-1","nominal":"1 in","low":"-1e9 mm"},"w":900,"h":300}`, `{"what":"part","job":"J","part":"../../x","format":"pdf"}`, `{"id":""}`, `{"passphrase":""}`, `{}`} {
		f.Add(byte(i), s)
	}
	f.Fuzz(func(t *testing.T, to byte, body string) {
		path := paths[int(to)%len(paths)]
		w := asked(h, http.MethodPost, path, "", body, posting())
		if w.Code >= 500 || w.Code != http.StatusNotFound && !json.Valid(w.Body.Bytes()) {
			t.Errorf("%s %q: %d %s", path, body, w.Code, w.Body)
		}
	})
}

// FuzzQuery asks for every page with any query: it is answered, and nothing of the
// query comes back as markup.
func FuzzQuery(f *testing.F) {
	cfg, src := everything(true)
	h := serve(f, cfg, src).Handler()
	paths := []string{"/history", "/part/bay2/3", "/plan", "/station/rough", "/station/ready/job", "/wall", "/records", "/study/marks", "/station/rough/bore"}
	for i, s := range []string{"job=J-4112&part=%3Cscript%3E&from=2026-11-25&to=x", "unit=in&comma=1&lang=xx", "nominal=25mm&class=H7&bush_outside=1e999mm", "w=NaN&h=-1&aw=1e9", "from=J-4107", "%zz=;&&=", "what=%00&station=\xff"} {
		f.Add(byte(i), s)
	}
	f.Fuzz(func(t *testing.T, to byte, query string) {
		path := paths[int(to)%len(paths)]
		w := asked(h, http.MethodGet, path, query, "", nil)
		if w.Code >= 500 {
			t.Fatalf("%s?%q: %d %s", path, query, w.Code, w.Body)
		}
		if kind := w.Header().Get("Content-Type"); !strings.HasPrefix(kind, "text/html") {
			return
		}
		for _, tag := range element.FindAllString(w.Body.String(), -1) {
			if bare := quoted.ReplaceAllString(tag, ""); strings.Contains(bare, " on") || strings.HasPrefix(tag, "<script") && !strings.Contains(tag, "src=\"/static/") && !strings.Contains(tag, "application/json") {
				t.Errorf("%s?%q: has %q", path, query, tag)
			}
		}
	})
}

// FuzzHeaders asks with any Host, Forwarded address and cookie: only a name of this
// machine is answered, the client is one that a trusted proxy may have named, and
// nobody acts by a cookie that he has not been given.
func FuzzHeaders(f *testing.F) {
	s := &Server{log: zerolog.Nop(), cfg: Config{Proxies: []netip.Prefix{netip.MustParsePrefix("10.0.0.0/24")}}}
	g := &Gate{Mark: "m", Sessions: OpenSessions(f.TempDir()+"/sessions", zerolog.Nop()), Guesses: limit.NewGuesses(time.Now)}
	given := g.Sessions.begin("m", time.Now())
	for _, x := range [][3]string{{"evil.example:80", "1.2.3.4, 10.0.0.9", given[:40]}, {"[::1]:8080", "[2001:db8::1]:99", "1.2.3"}, {"127.0.0.1.", "unknown,,", "9999999999.x.0"}, {"[fe80::1%25eth0]", "fe80::1%eth0", ".."}} {
		f.Add(x[0], x[1], x[2])
	}
	f.Fuzz(func(t *testing.T, host, forwarded, value string) {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Host, r.RemoteAddr = host, "10.0.0.2:7"
		r.Header["X-Forwarded-For"] = []string{forwarded}
		r.Header["Cookie"] = []string{cookie + "=" + value}
		got, proxied := s.unproxied(r)
		if from := peer(got); !proxied || !from.IsValid() || from != netip.MustParseAddr("10.0.0.2") && !strings.Contains(forwarded, ".") && !strings.Contains(forwarded, ":") {
			t.Errorf("%q: from %s", forwarded, from)
		}
		name := hostName(r)
		if _, err := netip.ParseAddr(name); ownName(name, []string{"bay2.shop.example"}) && err != nil && strings.Contains(name, ".") && name != "bay2.shop.example" {
			last := name[strings.LastIndexByte(name, '.'):]
			if here := []string{".local", ".localhost", ".lan", ".internal", ".arpa", ".localdomain"}; !slices.Contains(here, last) {
				t.Errorf("%q is taken for this machine", host)
			}
		}
		if value != given && g.admits(r, time.Now()) {
			t.Errorf("the cookie %q may act", value)
		}
	})
}
