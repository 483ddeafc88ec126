package web

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"fairbore/analysis/notation"
	"fairbore/daemon/code"
	"fairbore/daemon/state"
)

// The card is of the station and the numbers that were asked for. Its address is the one by which the
// browser came, unless that is of use on this machine alone.
func TestCardIsAskedFor(t *testing.T) {
	var got Card
	cfg := Config{Actions: true, Card: func(out io.Writer, c Card, _ notation.Format) error {
		got = c
		_, err := io.WriteString(out, "%PDF-")
		return err
	}}
	s := serve(t, cfg, newShop(&state.Bore{Station: "bay-2"}))
	ask := func(path, host string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodGet, path, nil)
		r.Host, r.RemoteAddr = host, "127.0.0.1:40000"
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w
	}
	station := s.src.Stations()[0].Name
	w := ask("/card?station="+station+"&first=001&count=5&paper=letter", "192.168.1.20:8080")
	if w.Code != http.StatusOK || w.Body.String() != "%PDF-" || w.Header().Get("Content-Type") != "application/pdf" || !strings.HasPrefix(w.Header().Get("Content-Disposition"), "attachment") {
		t.Fatalf("%d %v %q", w.Code, w.Header(), w.Body)
	}
	if got.Name != station || got.First != "001" || got.Count != 5 || got.Paper != "letter" || got.Address != "http://192.168.1.20:8080/" {
		t.Errorf("%+v", got)
	}
	if ask("/card?station="+station, "127.0.0.1:8080"); got.Address != "" || got.Count != 1 {
		t.Errorf("for a browser on this machine: %+v", got)
	}
	for path, want := range map[string]int{
		"/card?station=nowhere": http.StatusNotFound,
		"/card?station=" + station + "&first=" + strings.Repeat("9", 65): http.StatusBadRequest,
		"/card?station=" + station + "&paper=a3":                         http.StatusBadRequest,
		"/code?text=":                                                    http.StatusBadRequest,
		"/code?text=" + strings.Repeat("x", code.Most+1):                 http.StatusBadRequest,
		"/code?text=%3C/title%3E%3Cscript%3E":                            http.StatusOK,
	} {
		if w := ask(path, "127.0.0.1:8080"); w.Code != want || strings.Contains(w.Body.String(), "<script") {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
}
