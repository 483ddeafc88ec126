package web

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/config"
	"fairbore/daemon/event"
	"fairbore/daemon/limit"
	"fairbore/daemon/people"
	"fairbore/daemon/state"
)

// filed is a configuration that is kept in memory.
type filed struct {
	text []byte
	did  []config.Change
	by   []Who
	err  error
}

func (f *filed) Configured() ([]byte, string, error) {
	return f.text, "h" + string(rune('0'+len(f.did))), nil
}

func (f *filed) Anew() bool { return false }

func (f *filed) Check(c []config.Change) error {
	_, _, err := config.Changed("fairbore.yaml", f.text, c...)
	return err
}

func (f *filed) Change(_ context.Context, by Who, hash string, c []config.Change) error {
	if f.err != nil {
		return f.err
	}
	if _, is, _ := f.Configured(); hash != is {
		return errors.New("edited")
	}
	text, _, err := config.Changed("fairbore.yaml", f.text, c...)
	if err == nil {
		f.text, f.did, f.by = text, append(f.did, c...), append(f.by, by)
	}
	return err
}

// staffed asks for people: ab may set up and has a PIN, cd may not, ef may and has no PIN.
func staffed() *People {
	set := state.Settings{People: people.Staff{
		"ab": {Rights: []event.Right{event.MaySetUp}, PIN: "the hash", Badge: "FB-123456"},
		"cd": {Rights: []event.Right{event.MayGauge, event.MayAccept}},
		"ef": {Rights: []event.Right{event.MaySetUp}},
	}}
	return &People{
		Settings: func(string) (state.Settings, bool) { return set, true },
		Opens:    func(hash, pin string) bool { return hash == "the hash" && pin == "123456" },
		Guesses:  limit.NewGuesses(time.Now),
	}
}

// TestWhoMayChange refuses a change of the configuration by everybody who may not make one.
func TestWhoMayChange(t *testing.T) {
	const here, far = "127.0.0.1:5000", "192.168.1.7:5000"
	gate, session := testGate(t), ""
	session = cookie + "=" + gate.Sessions.begin(gate.Mark, time.Now())
	json1 := map[string]string{"Content-Type": "application/json"}
	with := func(more ...string) map[string]string {
		h := map[string]string{"Content-Type": "application/json"}
		for i := 0; i < len(more); i += 2 {
			h[more[i]] = more[i+1]
		}
		return h
	}
	for _, tt := range []struct {
		name   string
		set    func(*Config)
		from   string
		header map[string]string
		body   string
		status int
		code   string // of the refusal
		by     Who
	}{
		{"on this machine", nil, here, json1, `{"hash":"h0"}`, 200, "", Who{Source: "page"}},
		{"from the network, without a passphrase", nil, far, json1, `{"hash":"h0"}`, 403, "page.refused.far", Who{}},
		{"through a proxy that nobody named", nil, here, with("X-Forwarded-For", "127.0.0.1"), `{}`, 403, "page.refused.far", Who{}},
		{"through a named one, from the network", func(c *Config) { c.Proxies = []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")} }, here, with("X-Forwarded-For", "192.168.1.7"), `{}`, 403, "page.refused.far", Who{}},
		{"through a named one, by somebody who says he is here", func(c *Config) { c.Proxies = []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")} }, here, with("X-Forwarded-For", "127.0.0.1, 192.168.1.7"), `{}`, 403, "page.refused.far", Who{}},
		{"no passphrase given", func(c *Config) { c.Gate = gate }, here, json1, `{}`, 401, "page.refused.passphrase", Who{}},
		{"with the passphrase, from the network", func(c *Config) { c.Gate = gate }, far, with("Cookie", session), `{}`, 200, "", Who{Source: "page"}},
		{"a page that shows alone", func(c *Config) { c.Actions = false }, here, json1, `{}`, 403, "page.refused.shows", Who{}},
		{"without a configuration", func(c *Config) { c.Setup = nil }, here, json1, `{}`, 403, "page.refused.shows", Who{}},
		{"from another site", nil, here, with("Origin", "http://evil.example"), `{}`, 403, "page.refused.foreign", Who{}},
		{"by a form of another site", nil, here, map[string]string{"Content-Type": "text/plain"}, `{}`, 403, "page.refused.foreign", Who{}},
		{"by a name that was made to point here", nil, here, with("Host", "evil.example"), `{}`, 403, "page.refused.name", Who{}},
		{"too long", nil, here, json1, `{"hash":"` + strings.Repeat("x", maxAction) + `"}`, 413, "page.refused.long", Who{}},
		{"what is no change", nil, here, json1, `{"keys":1}`, 400, "page.refused.json", Who{}},
		{"nobody", func(c *Config) { c.People = staffed() }, here, json1, `{}`, 403, "page.refused.nobody", Who{}},
		{"a stranger", func(c *Config) { c.People = staffed() }, here, json1, `{"person":"zz"}`, 403, "action.person.unknown", Who{}},
		{"without the role", func(c *Config) { c.People = staffed() }, here, json1, `{"person":"cd"}`, 403, "page.refused.role", Who{}},
		{"without the PIN", func(c *Config) { c.People = staffed() }, here, json1, `{"person":"ab"}`, 403, "action.person.prove", Who{}},
		{"with a wrong PIN", func(c *Config) { c.People = staffed() }, here, json1, `{"person":"ab","pin":"1"}`, 403, "page.refused.pin", Who{}},
		{"with another's badge", func(c *Config) { c.People = staffed() }, here, json1, `{"person":"ab","badge":"FB-1"}`, 403, "page.refused.badge", Who{}},
		{"with the PIN", func(c *Config) { c.People = staffed() }, here, json1, `{"person":"ab","pin":"123456"}`, 200, "", Who{"ab", event.ByPIN, "page"}},
		{"with the badge", func(c *Config) { c.People = staffed() }, here, json1, `{"badge":"FB-123456"}`, 200, "", Who{"ab", event.ByBadge, "page"}},
		{"chosen from the list", func(c *Config) { c.People = staffed() }, here, json1, `{"person":"ef"}`, 200, "", Who{"ef", event.ByList, "page"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			cfg, src := everything(true)
			cfg.Setup = &filed{}
			if tt.set != nil {
				tt.set(&cfg)
			}
			s, err := Listen(cfg, src, zerolog.Nop())
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			var by Who
			h := s.guarded(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				var in changer
				if who, ok := s.changing(w, r, &in); ok {
					by = who
				}
			}))
			r := httptest.NewRequest(http.MethodPost, "http://localhost/x", strings.NewReader(tt.body))
			r.RemoteAddr = tt.from
			for k, v := range tt.header {
				r.Header.Set(k, v)
			}
			if host := tt.header["Host"]; host != "" {
				r.Host = host
			}
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			var reply event.Reply
			_ = json.Unmarshal(w.Body.Bytes(), &reply) // empty where it is taken
			if w.Code != tt.status || reply.Why.Code != tt.code || by != tt.by {
				t.Errorf("%d %s by %+v, want %d %s by %+v", w.Code, w.Body, by, tt.status, tt.code, tt.by)
			}
			if r, _ = s.unproxied(r); tt.status == http.StatusOK && !s.mayChange(r) || tt.code == "page.refused.far" && s.mayChange(r) {
				t.Errorf("a page offers it: %v", s.mayChange(r))
			}
		})
	}
}
