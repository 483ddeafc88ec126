package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/web/export"
)

// maker is a Records whose work a test leads.
type maker struct {
	got  chan export.Wanted
	step chan func(out io.Writer, progress func(done, total uint64)) (over bool, err error)
}

func newMaker() *maker {
	return &maker{make(chan export.Wanted, 1), make(chan func(io.Writer, func(uint64, uint64)) (bool, error))}
}

func (m *maker) Make(ctx context.Context, out io.Writer, w export.Wanted, progress func(done, total uint64)) error {
	m.got <- w
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case step := <-m.step:
			if over, err := step(out, progress); over || err != nil {
				return err
			}
		}
	}
}

func (m *maker) come(done, total uint64) {
	m.step <- func(_ io.Writer, progress func(uint64, uint64)) (bool, error) {
		progress(done, total)
		return false, nil
	}
}

func (m *maker) end(text string, err error) {
	m.step <- func(out io.Writer, _ func(uint64, uint64)) (bool, error) {
		_, e := io.WriteString(out, text)
		return true, errors.Join(err, e)
	}
}

// spooled serves a shop that makes records into a folder of the test.
func spooled(t *testing.T, change func(*Config)) (*Server, *maker, string, func()) {
	t.Helper()
	cfg, src := everything(true)
	m := newMaker()
	cfg.Records, cfg.Spool = m, t.TempDir()
	if change != nil {
		change(&cfg)
	}
	s, stop := serveUntil(t, cfg, src)
	return s, m, cfg.Spool, stop
}

// orders posts an order and returns what is told of it.
func orders(t *testing.T, s *Server, body string) (int, export.Progress) {
	t.Helper()
	status, answer := post(t, s, "/records", body, nil)
	var p export.Progress
	var no event.Reply
	into := any(&p)
	if status != http.StatusAccepted {
		into = &no
	}
	if err := json.Unmarshal([]byte(answer), into); err != nil {
		t.Fatalf("%s: %v", answer, err)
	}
	p.Why += no.Why.Text
	return status, p
}

func toldOf(t *testing.T, s *Server, id string) (p export.Progress) {
	t.Helper()
	_, _, body := get(t, s, "/records/"+id)
	if err := json.Unmarshal([]byte(body), &p); err != nil {
		t.Fatalf("%s: %v", body, err)
	}
	return p
}

// left lists what lies in a folder.
func left(t *testing.T, dir string) (names []string) {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range list {
		names = append(names, f.Name())
	}
	return names
}

// What is ordered is made once, one at a time, told how far it has come, fetched
// as a file that is never shown within the pages, and leaves nothing on the disk.
func TestOrder(t *testing.T) {
	s, m, dir, stop := spooled(t, nil)
	status, p := orders(t, s, `{"what":"lot","format":"pdf","paper":"letter","job":" J-4112 ","from":"2026-11-24","to":"2026-11-25"}`)
	if status != http.StatusAccepted || p.State != export.UnderWay || p.Name != "fairbore-lot-J-4112.pdf" {
		t.Fatalf("%d %+v", status, p)
	}
	day := time.Date(2026, 11, 24, 0, 0, 0, 0, time.Local)
	if w := <-m.got; w != (export.Wanted{What: "lot", Format: "pdf", Paper: "letter", Job: "J-4112", From: day, To: day.AddDate(0, 0, 2)}) {
		t.Errorf("wanted %+v", w)
	}
	m.come(120, 350)
	eventually(t, "how far it is", func() bool { now := toldOf(t, s, p.ID); return now.Done == 120 && now.Total == 350 })
	if status, other := orders(t, s, `{"what":"verify"}`); status != http.StatusConflict || !strings.HasPrefix(other.Why, daemontest.Begins("page.order.busy", "fairbore-lot-J-4112.pdf")) {
		t.Errorf("two at once: %d %+v", status, other)
	}
	if code, _, _ := get(t, s, "/records/"+p.ID+"/file"); code != http.StatusNotFound {
		t.Errorf("fetched before it is made: %d", code)
	}
	m.end("%PDF <script>", nil)
	eventually(t, "it to be made", func() bool { return toldOf(t, s, p.ID).State == export.Made })
	for range 2 { // who loses the first copy fetches another
		code, h, body := get(t, s, "/records/"+p.ID+"/file")
		if code != http.StatusOK || body != "%PDF <script>" || h.Get("Content-Type") != "application/pdf" || h.Get("Content-Disposition") != "attachment; filename=fairbore-lot-J-4112.pdf" || h.Get("Cache-Control") != "no-store" {
			t.Errorf("%d %q %v", code, body, h)
		}
	}
	if names := left(t, dir); len(names) > 0 {
		t.Errorf("on the disk under a name: %v", names)
	}
	_, second := orders(t, s, `{"what":"verify"}`)
	<-m.got
	if code, _, _ := get(t, s, "/records/"+p.ID+"/file"); code != http.StatusNotFound || second.ID == p.ID {
		t.Errorf("the first is still there after the second was begun: %d", code)
	}
	m.end("fault   x\n", errors.New("the journal is not sound"))
	eventually(t, "it to end", func() bool { return toldOf(t, s, second.ID).State == export.Failed })
	if now := toldOf(t, s, second.ID); now.Text != "fault   x\n" || now.Why != "the journal is not sound" {
		t.Errorf("what was found: %+v", now)
	}
	_, third := orders(t, s, `{"what":"events"}`)
	<-m.got
	stop() // the program ends while it is made
	if names := left(t, dir); len(names) > 0 || third.Name != "fairbore-events.ndjson" {
		t.Errorf("left by %s: %v", third.Name, names)
	}
}

// What is being made can be stopped, by who began it or, where that page is gone,
// by anybody who may act; the next one can then be begun.
func TestStopOrder(t *testing.T) {
	s, m, _, _ := spooled(t, nil)
	for _, id := range []func(string) string{func(id string) string { return id }, func(string) string { return "" }} {
		_, p := orders(t, s, `{"what":"events"}`)
		<-m.got
		if status, _ := post(t, s, "/records/stop", `{"id":"x`+p.ID+`"}`, nil); status != http.StatusNotFound {
			t.Errorf("stopped by a wrong id: %d", status)
		}
		if status, body := post(t, s, "/records/stop", `{"id":"`+id(p.ID)+`"}`, nil); status != http.StatusOK {
			t.Errorf("stop: %d %s", status, body)
		}
		eventually(t, "it to stop", func() bool { return toldOf(t, s, p.ID).State == export.Stopped })
		if code, _, _ := get(t, s, "/records/"+p.ID+"/file"); code != http.StatusNotFound {
			t.Errorf("fetched after it was stopped: %d", code)
		}
	}
}

// Nobody begins or stops anything without the passphrase, or from another page, and
// nobody finds by its address what another had made.
func TestOrderAccess(t *testing.T) {
	gate := func(c *Config) {
		c.Gate = testGate(t)
	}
	s, m, _, _ := spooled(t, gate)
	const body = `{"what":"verify"}`
	_, ticket := signed(t, s, "oil and stones")
	for what, c := range map[string]struct {
		header map[string]string
		want   int
	}{
		"no passphrase":    {nil, http.StatusUnauthorized},
		"made up":          {map[string]string{"Cookie": cookie + "=9999999999.00"}, http.StatusUnauthorized},
		"another origin":   {map[string]string{"Cookie": ticket, "Origin": "http://evil.example"}, http.StatusForbidden},
		"another site":     {map[string]string{"Cookie": ticket, "Sec-Fetch-Site": "cross-site"}, http.StatusForbidden},
		"a form":           {map[string]string{"Cookie": ticket, "Content-Type": "text/plain"}, http.StatusForbidden},
		"a form of fields": {map[string]string{"Cookie": ticket, "Content-Type": "application/x-www-form-urlencoded"}, http.StatusForbidden},
	} {
		for _, path := range []string{"/records", "/records/stop"} {
			if status, answer := post(t, s, path, body, c.header); status != c.want {
				t.Errorf("%s %s: %d %s", what, path, status, answer)
			}
		}
	}
	select {
	case w := <-m.got:
		t.Fatalf("begun: %+v", w)
	default:
	}
	status, answer := post(t, s, "/records", body, map[string]string{"Cookie": ticket})
	var p export.Progress
	if json.Unmarshal([]byte(answer), &p) != nil || status != http.StatusAccepted {
		t.Fatalf("with the passphrase: %d %s", status, answer)
	}
	<-m.got
	if !regexp.MustCompile(`^[A-Z2-7]{26,}$`).MatchString(p.ID) { // 26 of base 32 are 130 bits
		t.Errorf("id %q can be guessed", p.ID)
	}
	m.end("sound\n", nil)
	eventually(t, "it to be made", func() bool { return toldOf(t, s, p.ID).State == export.Made })
	for _, id := range []string{"x", p.ID[1:], strings.ToLower(p.ID), "..%2f" + p.ID, p.ID + "%2f..", "%2e%2e%2f%2e%2e%2fetc%2fpasswd", "*"} {
		for _, leaf := range []string{"", "/file"} {
			if code, _, body := get(t, s, "/records/"+id+leaf); code == http.StatusOK || strings.Contains(body, "root:") {
				t.Errorf("%s%s: %d %s", id, leaf, code, body)
			}
		}
	}
	shows, _, _, _ := spooled(t, func(c *Config) { c.Actions = false })
	if code, _, _ := get(t, shows, "/records"); code != http.StatusNotFound {
		t.Errorf("offered by a page that only shows: %d", code)
	}
	if code, _, body := get(t, shows, "/history"); strings.Contains(body, "/records") || code != http.StatusOK {
		t.Error("linked from a page that only shows")
	}
}

// An order that can't be filled is refused before anything is begun, and says why.
func TestOrderRefused(t *testing.T) {
	s, m, _, _ := spooled(t, nil)
	for body, why := range map[string]string{
		`{"what":"secrets"}`:                                      en.Text("page.order.unknown", "secrets"),
		`{"what":"../../etc/passwd"}`:                             en.Text("page.order.unknown", "../../etc/passwd"),
		`{"what":"lot"}`:                                          en.Text("page.order.job"),
		`{"what":"lot","job":" "}`:                                en.Text("page.order.job"),
		`{"what":"readings","format":"pdf"}`:                      en.Text("page.order.format", "pdf", "csv"),
		`{"what":"lot","job":"a","format":"exe"}`:                 daemontest.Begins("page.order.format", "exe"),
		`{"what":"lot","job":"a","paper":"a0"}`:                   en.Text("page.order.paper", "a0"),
		`{"what":"events","from":"yesterday"}`:                    en.Text("page.order.day", "yesterday"),
		`{"what":"events","to":"2026-02-30"}`:                     en.Text("page.order.day", "2026-02-30"),
		`{"what":"events","path":"/etc/passwd"}`:                  "unknown field",
		`{"what":"events","from":"2026-11-25","to":"2026-11-24"}`: en.Text("page.order.days"),
	} {
		if status, p := orders(t, s, body); status != http.StatusBadRequest || !strings.Contains(p.Why, why) {
			t.Errorf("%s: %d %q", body, status, p.Why)
		}
	}
	select {
	case w := <-m.got:
		t.Errorf("begun: %+v", w)
	default:
	}
}

// The page asks for what goes with each thing, and shows each state of it, at every
// size of screen.
func TestLooksOfRecords(t *testing.T) {
	t.Parallel()
	s, m, _, _ := spooled(t, nil)
	e := newEye(t, s)
	look := func(what, name, theme string) {
		t.Helper()
		for _, w := range e.says(wrong) {
			t.Errorf("%s at %s: %s", what, name, w)
		}
		e.keep("records-"+what, theme, name)
	}
	state := func(s string) string {
		return fmt.Sprintf(`document.getElementById("came").innerText.includes(%q)`, en.Text("script.made."+s))
	}
	for name, size := range sizes {
		for _, theme := range e.themes() {
			e.open("/records?what=job&job=J-4112", theme, size)
			e.until("the fields of a job", `document.querySelector("#order").part.closest("label").hidden && !document.querySelector("#order").paper.disabled`)
			look("asked", name, theme)
			e.press("make")
			<-m.got
			e.until("a bar that does not know", state(export.UnderWay)+` && !document.getElementById("far").hasAttribute("value")`)
			m.come(119, 350)
			e.until("how far it is", `document.getElementById("percent").innerText === "34 %" && document.getElementById("far").value === 34 && document.activeElement.id === "stop"`)
			look("making", name, theme)
			e.open("/records", theme, size) // the page was left, and looked at again
			e.until("it to be found again", `document.getElementById("percent").innerText === "34 %"`)
			e.press("stop")
			e.until("it to stop", state(export.Stopped))
			look("stopped", name, theme)
			e.until("days back to front", `((f) => (f.from.value = "2026-11-30", f.to.value = "2026-11-02", true))(document.getElementById("order"))`)
			e.press("make")
			e.until("the days to be refused", fmt.Sprintf(`document.getElementById("why").innerText === %q`, en.Text("page.order.days")))
			look("refused", name, theme)
			e.choose("verify")
			e.press("make")
			<-m.got
			m.end("journal 6f1c2a90\nrows    1000000 sound\nhead    "+strings.Repeat("0123456789abcdef", 4)+"\nsound\n", nil)
			e.until("it to be made", state(export.Made)+` && document.getElementById("text").innerText.includes("rows") && /^\/records\/[A-Z2-7]+\/file$/.test(document.getElementById("fetch").getAttribute("href"))`)
			look("made", name, theme)
		}
	}
}

// press presses a button of a page.
func (e *eye) press(id string) {
	e.t.Helper()
	e.until(id, `((b) => b.getClientRects().length && !b.disabled && (b.click(), true))(document.getElementById("`+id+`"))`)
}

// choose chooses what is to be made.
func (e *eye) choose(what string) {
	e.t.Helper()
	e.until(what, `((s) => (s.value = "`+what+`", s.dispatchEvent(new Event("change")), true))(document.querySelector("#order").what)`)
}
