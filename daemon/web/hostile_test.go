package web

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/web/shoptest"
)

// evil is text that would act if a page took it for markup, in each place where
// a page may put it: element, attribute, script, style, address.
const evil = `"'><script>alert(1)</script><img src=x onerror=alert(1)>{{.}}javascript:alert(1)`

// hostile is a station whose every word is evil.
func hostile() *shoptest.Play {
	job := shoptest.Bush()
	job.ID, job.Title, job.Revision, job.Face, job.Material, job.Ring = evil+"id", evil+"title", evil, evil, evil, "R"+evil
	job.Interrupts[0].What = evil
	p := shoptest.Began("bay2", job)
	p.Tell(event.Event{Kind: event.PartBegun, Part: &event.Part{Serial: evil + "serial", Count: 8}})
	p.Master().Rounds(shoptest.BushRounds, 2, 0)
	p.Tell(event.Event{Kind: event.Voided, Void: &event.Void{No: 3, Reason: analysis.Quote(evil + "reason")}})
	p.Tell(event.Event{Kind: event.NoteAdded, Note: evil + "note"})
	p.Tell(event.Event{Kind: event.Disturbed, Note: evil + "knock"})
	p.Tell(event.Event{Kind: event.Refused, Refused: &event.Refusal{Reason: analysis.Quote(evil + "refused")}})
	p.Tell(event.Event{Kind: event.Judged, Verdict: &event.Verdict{Reason: analysis.Quote(evil + "verdict"), Part: evil, Job: job.ID, Readings: 8, Smallest: job.Low, Largest: job.High}})
	return p
}

// Elements of a page, and the values of their attributes.
var (
	element = regexp.MustCompile(`<[a-zA-Z][^<]*?>`)
	quoted  = regexp.MustCompile(`"[^"]*"`)
)

// Whatever people, gauges or other systems write as a name, a serial number or a
// reason stays text, on every page and in every stream and drawing.
func TestHostileTextStaysText(t *testing.T) {
	p := hostile()
	job := p.Fold.Job
	bad := serve(t, Config{Actions: true, History: shelf{p}, Entry: testEntry(), Records: newMaker(), Jobs: func(string) []*analysis.Job { return []*analysis.Job{job} }}, newShop(p.Bore()))
	id := "?job=" + strings.NewReplacer("<", "%3C", ">", "%3E", `"`, "%22", "'", "%27", " ", "%20", "{", "%7B", "}", "%7D", "=", "%3D").Replace(evil+"id")
	for _, path := range []string{"/station/bay2", "/wall", "/history", "/history" + id + "&part=" + id[5:], "/part/bay2/3", "/plan" + id, "/plan?nominal=" + id[5:], "/station/bay2/job?from=" + id[5:], "/records" + id + "&part=" + id[5:] + "&what=" + id[5:] + "&station=" + id[5:]} {
		_, _, body := get(t, bad, path)
		for _, tag := range element.FindAllString(body, -1) {
			if bare := quoted.ReplaceAllString(tag, ""); strings.Contains(bare, "alert") || strings.Contains(bare, "src=x") || strings.Contains(bare, " onerror") {
				t.Errorf("%s: has %q", path, tag)
			}
		}
		if strings.Contains(body, "<script>alert") || strings.Contains(body, "<img") || strings.Contains(body, `href="javascript`) {
			t.Errorf("%s: a script came through", path)
		}
	}
	ch := sse(t.Context(), t, "http://"+bad.Addr()+"/station/bay2/view?aw=300&ah=200&sw=300&sh=100")
	for _, event := range []string{"face", "picture"} {
		if data := next(t, ch, event); strings.Contains(data, "<script") || strings.Contains(data, `u003cscript\u003ealert`) && event == "picture" {
			t.Errorf("%s: %.300s", event, data)
		}
	}
}

// No address leads out of what is served.
func TestPathTricks(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	for _, path := range []string{
		"/static/../server.go", "/static/%2e%2e/server.go", "/static/..%2f..%2fgo.mod", "/static//etc/passwd", "/static/%00", "/static/",
		"/part/bay2/-1", "/part/bay2/0", "/part/bay2/18446744073709551616", "/part/bay2/3%2f..", "/part/../../etc/passwd", "/part/%2e%2e%2f%2e%2e/3",
		"/station/%2e%2e/job", "/station/..%2f..%2fetc/bore", "/station/bay2%00/view", "//etc/passwd", "/station/ready/job/../../../x",
	} {
		conn, err := net.Dial("tcp", s.Addr())
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(conn, "GET %s HTTP/1.0\r\nHost: %s\r\n\r\n", path, s.Addr()) // as it stands: a client would tidy it
		answer, err := io.ReadAll(conn)
		conn.Close()
		if err != nil {
			t.Fatal(err)
		}
		head, _, _ := strings.Cut(string(answer), "\r\n")
		if strings.Contains(head, " 200 ") || strings.Contains(string(answer), "root:") || strings.Contains(string(answer), "package web") {
			t.Errorf("%s: %s", path, head)
		}
	}
}

// A body that does not come holds nothing up for longer than it may.
func TestSlowBody(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("takes as long as a body may")
	}
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	conn, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprintf(conn, "POST /station/rough/do HTTP/1.1\r\nHost: %s\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{", s.Addr())
	if err := conn.SetReadDeadline(time.Now().Add(bodyTime + 20*time.Second)); err != nil {
		t.Fatal(err)
	}
	answer := make([]byte, 64)
	n, err := conn.Read(answer)
	if err != nil || !strings.Contains(string(answer[:n]), fmt.Sprint(http.StatusRequestTimeout)) {
		t.Errorf("answer %q, %v", answer[:n], err)
	}
	if len(src.did) > 0 {
		t.Error("half an action was done")
	}
}
