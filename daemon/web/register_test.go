package web

import (
	"bytes"
	"encoding/json"
	"image"
	"image/png"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/rs/zerolog"

	"fairbore/daemon/web/register"
)

const registered = `version: 1
site: shop
gauges:
  G: {driver: line, unit: mm, kind: two-point} # on the arm
  G-2: {driver: line, unit: mm, due: "2020-01-01"}
rings:
  R-1: {size: 31.7497 mm, u: 0.25 um, due: "2020-01-25"} # the old one
  R-2: {size: 22.2251 mm, u: 0.25 um}
jobs:
  J-1: {unit: mm, material: steel, nominal: 31.75 mm, low: 31.74 mm, high: 31.76 mm, length: 40 mm, sections: [5 mm], orientations: [0], ring: R-1}
stations:
  - {name: bay, gauge: G, port: "tcp://127.0.0.1:1"}
`

func registering(t *testing.T) (*Server, *filed) {
	t.Helper()
	cfg, src := everything(true)
	f := &filed{text: []byte(registered)}
	cfg.Setup, cfg.Certificates = f, filepath.Join(t.TempDir(), "certificates")
	s, err := Listen(cfg, src, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s, f
}

// fromHere sends a request from this machine.
func fromHere(s *Server, method, path, kind string, body []byte, header ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, "http://localhost"+path, bytes.NewReader(body))
	r.RemoteAddr = "127.0.0.1:5000"
	if kind != "" {
		r.Header.Set("Content-Type", kind)
	}
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	if len(body) == 0 {
		r.Body, r.ContentLength = http.NoBody, 0
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

// TestRegister enters, changes and retires rings and gauges; what is wrong is said at its field, all
// at once, and then nothing is written.
func TestRegister(t *testing.T) {
	for _, tt := range []struct {
		name, kind, id string
		text           map[string]string
		faults         string   // the fields, sorted
		has            []string // of the file afterwards
	}{
		{"nothing", "rings", "", nil, "id size u", nil},
		{"all wrong at once", "rings", "", map[string]string{"id": "R 9", "size": "31.75", "u": "much", "nominal": "-1 mm", "due": "soon", "retired": "x"}, "due id nominal retired size u", nil},
		{"a name that is taken", "rings", "", map[string]string{"id": "r-1", "size": "9 mm", "u": "0.3"}, "id", nil},
		{"the engraved size of another ring", "rings", "", map[string]string{"id": "R-9", "size": "9 mm", "u": "0.3", "nominal": "10 mm"}, "nominal", nil},
		{"a material that isn't", "rings", "", map[string]string{"id": "R-9", "size": "9 mm", "u": "0.3", "material": "cheese"}, "material", nil},
		{"a ring", "rings", "", map[string]string{"id": "R-9", "size": "9,00010 mm", "u": "0,3", "certificate": "K: 1"}, "", []string{"  R-9:\n    size: 9.00010 mm\n    u: 0.3 um\n    certificate: \"K: 1\"\n"}},
		{"another certificate", "rings", "R-1", map[string]string{"size": "31.7498 mm", "u": "0.25 um", "due": "2028-01-25"}, "", []string{`R-1: {size: 31.7498 mm, u: 0.25 um, due: "2028-01-25"} # the old one`}},
		{"a ring that a job needs", "rings", "R-1", map[string]string{"size": "31.7497 mm", "u": "0.25 um", "due": "2020-01-25", "retired": "2026-01-01"}, "retired", nil},
		{"retired", "rings", "R-2", map[string]string{"size": "22.2251 mm", "u": "0.25 um", "retired": "2026-01-01"}, "", []string{`R-2: {size: 22.2251 mm, u: 0.25 um, retired: "2026-01-01"}`}},
		{"a gauge", "gauges", "", map[string]string{"id": "G-3", "driver": "line", "unit": "in", "tip": "2 mm", "step": "0.5"}, "", []string{"  G-3:\n    driver: line\n    unit: in\n    tip: 2 mm\n    step: 0.5 um\n"}},
		{"a gauge without a driver", "gauges", "", map[string]string{"id": "G-3"}, "driver unit", nil},
		{"a gauge at a station", "gauges", "G", map[string]string{"driver": "line", "unit": "mm", "kind": "two-point", "retired": "2026-01-01"}, "retired", nil},
		{"a file that is not here", "rings", "R-2", map[string]string{"size": "22.2251 mm", "u": "0.25 um", "certificate_file": strings.Repeat("ab", 32)}, "certificate_file", nil},
		{"a path for a file", "rings", "R-2", map[string]string{"size": "22.2251 mm", "u": "0.25 um", "certificate_file": "../../etc/passwd"}, "certificate_file", nil},
	} {
		s, f := registering(t)
		_, hash, _ := f.Configured()
		body, _ := json.Marshal(map[string]any{"id": tt.id, "text": tt.text, "hash": hash})
		w := fromHere(s, http.MethodPost, "/register/"+tt.kind, "application/json", body)
		var got registerReply
		if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || w.Code != http.StatusOK {
			t.Errorf("%s: %d %s", tt.name, w.Code, w.Body)
			continue
		}
		if is := strings.Join(slices.Sorted(maps.Keys(got.Faults)), " "); is != tt.faults || got.Done != (tt.faults == "") {
			t.Errorf("%s: faults at %q, want %q: %v", tt.name, is, tt.faults, got)
		}
		if tt.faults != "" && string(f.text) != registered {
			t.Errorf("%s: written:\n%s", tt.name, f.text)
		}
		for _, line := range tt.has {
			if !strings.Contains(string(f.text), line) {
				t.Errorf("%s: no %q in\n%s", tt.name, line, f.text)
			}
		}
	}
	s, f := registering(t)
	if w := fromHere(s, http.MethodPost, "/register/rings", "application/json", []byte(`{"id":"R-2","text":{},"hash":"other"}`)); w.Code != http.StatusConflict || string(f.text) != registered {
		t.Errorf("another text: %d %s", w.Code, w.Body)
	}
	if w := fromHere(s, http.MethodPost, "/register/jobs", "application/json", []byte(`{}`)); w.Code != http.StatusNotFound {
		t.Errorf("neither ring nor gauge: %d", w.Code)
	}
	if w := fromHere(s, http.MethodPost, "/register/rings", "text/plain", []byte(`{}`)); w.Code != http.StatusForbidden {
		t.Errorf("a form of another site: %d", w.Code)
	}
	s.cfg.Gate = testGate(t)
	if w := fromHere(s, http.MethodPost, "/register/rings", "application/json", []byte(`{}`)); w.Code != http.StatusUnauthorized {
		t.Errorf("without the passphrase: %d", w.Code)
	}
	s.cfg.Gate = nil
	s.cfg.People = staffed()
	if w := fromHere(s, http.MethodPost, "/register/rings", "application/json", []byte(`{"person":"cd"}`)); w.Code != http.StatusForbidden {
		t.Errorf("without the role: %d", w.Code)
	}
}

// TestRegisterPage lists what is overdue, and says nothing that only who may change needs.
func TestRegisterPage(t *testing.T) {
	s, _ := registering(t)
	for path, has := range map[string]string{
		"/register": "overdue", "/register?rings=": `id="f-size"`, "/register?rings=R-1": `value="31.7497 mm"`, "/register?gauges=G": `id="f-driver"`,
	} {
		if w := fromHere(s, http.MethodGet, path, "", nil); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), has) {
			t.Errorf("%s: %d, no %q", path, w.Code, has)
		}
	}
	if w := fromHere(s, http.MethodGet, "/register?rings=none", "", nil); w.Code != http.StatusNotFound {
		t.Errorf("no such ring: %d", w.Code)
	}
	s.cfg.Gate = testGate(t)
	if w := fromHere(s, http.MethodGet, "/register?rings=R-1", "", nil); strings.Contains(w.Body.String(), "f-size") {
		t.Error("a form for somebody who may not use it")
	}
}

// TestCertificates keeps a certificate by its hash, refuses what is none, and serves it so that a
// browser keeps it and shows nothing.
func TestCertificates(t *testing.T) {
	s, f := registering(t)
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 2, 2))); err != nil {
		t.Fatal(err)
	}
	pdf := []byte("%PDF-1.4\n<script>alert(1)</script>")
	for _, tt := range []struct {
		name, kind string
		content    []byte
		status     int
	}{
		{"a PDF", "application/pdf", pdf, 200}, {"a picture", "image/png", b.Bytes(), 200}, {"again", "application/pdf", pdf, 200},
		{"a page", "text/html", []byte("<html>"), 403}, {"a page that says it is a PDF", "application/pdf", []byte("<html>"), 422}, {"nothing", "application/pdf", []byte{' '}, 422},
		{"too large", "application/pdf", append([]byte("%PDF-"), make([]byte, register.MostFile)...), 413},
	} {
		if w := fromHere(s, http.MethodPost, "/register/certificate", tt.kind, tt.content); w.Code != tt.status {
			t.Errorf("%s: %d %s, want %d", tt.name, w.Code, w.Body, tt.status)
		}
	}
	if w := fromHere(s, http.MethodPost, "/register/certificate", "application/pdf", pdf, "Origin", "http://evil.example"); w.Code != http.StatusForbidden {
		t.Errorf("from another site: %d", w.Code)
	}
	list, _ := os.ReadDir(s.cfg.Certificates)
	if len(list) != 2 {
		t.Fatalf("%d files are kept, want 2", len(list))
	}
	w := fromHere(s, http.MethodPost, "/register/certificate", "application/pdf", pdf)
	var got struct{ File string }
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	w = fromHere(s, http.MethodGet, "/register/certificate/"+got.File, "", nil)
	h := w.Header()
	if !bytes.Equal(w.Body.Bytes(), pdf) || h.Get("Content-Type") != "application/pdf" || h.Get("X-Content-Type-Options") != "nosniff" ||
		!strings.HasPrefix(h.Get("Content-Disposition"), `attachment; filename="certificate-`+got.File[:12]+`.pdf"`) || !strings.Contains(h.Get("Content-Security-Policy"), "sandbox") {
		t.Errorf("%d %v", w.Code, h)
	}
	_, hash, _ := f.Configured()
	body, _ := json.Marshal(map[string]any{"id": "R-2", "hash": hash, "text": map[string]string{"size": "22.2251 mm", "u": "0.25 um", "certificate_file": got.File}})
	if w := fromHere(s, http.MethodPost, "/register/rings", "application/json", body); w.Code != http.StatusOK || !strings.Contains(string(f.text), got.File) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if err := os.WriteFile(filepath.Join(s.cfg.Certificates, got.File), []byte("%PDF-another"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{got.File, "x", "..%2f..%2fetc%2fpasswd", strings.Repeat("0", 64)} {
		if w := fromHere(s, http.MethodGet, "/register/certificate/"+name, "", nil); w.Code != http.StatusNotFound {
			t.Errorf("%s: %d", name, w.Code)
		}
	}
	s.cfg.Gate = testGate(t)
	if w := fromHere(s, http.MethodPost, "/register/certificate", "application/pdf", pdf); w.Code != http.StatusUnauthorized {
		t.Errorf("without the passphrase: %d", w.Code)
	}
	s.cfg.Gate = nil
	s.cfg.Actions = false
	if w := fromHere(s, http.MethodPost, "/register/certificate", "application/pdf", pdf); w.Code != http.StatusForbidden {
		t.Errorf("at a page that shows alone: %d", w.Code)
	}
}
