package web

import (
	"context"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/port"
	"fairbore/daemon/web/guide"
)

// Nobody but who may set up begins to listen, or learns what is plugged in.
func TestWhoMayListen(t *testing.T) {
	const here, far = "127.0.0.1:5000", "192.168.1.7:5000"
	gate := testGate(t)
	session := cookie + "=" + gate.Sessions.begin(gate.Mark, time.Now())
	for _, tt := range []struct {
		name        string
		set         func(*Config)
		from        string
		header      [2]string
		body        string // besides the port
		begins, see int
	}{
		{"on this machine", nil, here, [2]string{}, "", 200, 200},
		{"from the network, without a passphrase", nil, far, [2]string{}, "", 403, 403},
		{"no passphrase given", func(c *Config) { c.Gate = gate }, here, [2]string{}, "", 401, 401},
		{"with the passphrase, from the network", func(c *Config) { c.Gate = gate }, far, [2]string{"Cookie", session}, "", 200, 200},
		{"from another site", nil, here, [2]string{"Origin", "http://evil.example"}, "", 403, 403},
		{"a page that shows alone", func(c *Config) { c.Actions = false }, here, [2]string{}, "", 404, 404},
		{"without the role", func(c *Config) { c.People = staffed() }, here, [2]string{}, `,"person":"cd"`, 403, 200},
		{"with the role and the PIN", func(c *Config) { c.People = staffed() }, here, [2]string{}, `,"person":"ab","pin":"123456"`, 200, 200},
	} {
		t.Run(tt.name, func(t *testing.T) {
			cfg, src := everything(true)
			dir := t.TempDir()
			d := guide.NewDevices(guide.Machine{Host: port.Host{Sys: dir, Dev: dir, Proc: dir}, Log: zerolog.Nop()})
			defer d.Close()
			cfg.Devices = d
			if tt.set != nil {
				tt.set(&cfg)
			}
			s, err := Listen(cfg, src, zerolog.Nop())
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			ask := func(method, path, body string) int {
				ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond) // a stream has no end
				defer cancel()
				r := httptest.NewRequest(method, "http://localhost"+path, strings.NewReader(body)).WithContext(ctx)
				r.RemoteAddr = tt.from
				if r.Header.Set("Content-Type", "application/json"); tt.header[0] != "" {
					r.Header.Set(tt.header[0], tt.header[1])
				}
				if method == http.MethodGet {
					r.Body, r.ContentLength = http.NoBody, 0
				}
				w := httptest.NewRecorder()
				s.Handler().ServeHTTP(w, r)
				return w.Code
			}
			if got := ask(http.MethodPost, "/setup/listen", `{"port":"`+filepath.Join(dir, "ttyUSB0")+`"`+tt.body+`}`); got != tt.begins {
				t.Errorf("to begin: %d", got)
			}
			for _, path := range []string{"/setup/ports", "/setup/listen", "/setup/contacts/stream?station=rough"} {
				if got := ask(http.MethodGet, path, ""); got != tt.see {
					t.Errorf("%s: %d", path, got)
				}
			}
			if began := d.Heard("", "", s.words(httptest.NewRequest(http.MethodGet, "/", nil))).State != guide.Off; began != (tt.begins == 200) {
				t.Errorf("it listens: %v", began)
			}
		})
	}
}
