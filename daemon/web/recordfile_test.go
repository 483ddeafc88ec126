package web

import (
	"io"
	"net/http"
	"strings"
	"testing"
)

// getAs gets a path as a browser does that says from where it was led there.
func getAs(t *testing.T, s *Server, path, site string) (int, http.Header, string) {
	t.Helper()
	req, err := http.NewRequest(http.MethodGet, "http://"+s.Addr()+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Sec-Fetch-Site", site)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, resp.Header, string(b)
}

// The record of a part is made at its own address, exactly of that part, for whoever may act and for no
// other site. One thing is made at a time.
func TestRecordAtItsAddress(t *testing.T) {
	const record = "/part/bay2/3/record.pdf"
	s, m, _, _ := spooled(t, nil)
	type answer struct {
		status int
		head   http.Header
		body   string
	}
	came := make(chan answer, 1)
	go func() {
		status, head, body := getAs(t, s, record, "same-origin")
		came <- answer{status, head, body}
	}()
	if w := <-m.got; w.What != "part" || w.Format != "pdf" || w.Seq != 3 || w.Station != "bay2" || w.Part == "" {
		t.Errorf("made: %+v", w)
	}
	if status, _, _ := getAs(t, s, record, "same-origin"); status != http.StatusConflict {
		t.Errorf("a second one meanwhile: %d", status)
	}
	m.end("%PDF-", nil)
	if a := <-came; a.status != http.StatusOK || a.head.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(a.head.Get("Content-Disposition"), "attachment") || a.body != "%PDF-" {
		t.Errorf("%+v", a)
	}
	for path, want := range map[string]int{"/part/bay2/4/record.pdf": http.StatusNotFound, "/part/bay2/x/record.pdf": http.StatusNotFound, "/part/none/3/record.pdf": http.StatusNotFound} {
		if status, _, _ := getAs(t, s, path, "same-origin"); status != want {
			t.Errorf("%s: %d, want %d", path, status, want)
		}
	}
	if status, _, _ := getAs(t, s, record, "cross-site"); status != http.StatusForbidden {
		t.Errorf("asked for by another site: %d", status)
	}
	gate, _ := gated(t)
	if status, _, _ := getAs(t, gate, record, "same-origin"); status != http.StatusUnauthorized {
		t.Errorf("without the passphrase: %d", status)
	}
	looks, src := everything(false)
	if status, _, _ := getAs(t, serve(t, looks, src), record, "same-origin"); status != http.StatusNotFound {
		t.Errorf("of a page that only shows: %d", status)
	}
}
