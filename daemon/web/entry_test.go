package web

import (
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/web/shoptest"
)

func post(t *testing.T, s *Server, path, body string, header map[string]string) (int, string) {
	t.Helper()
	req, err := http.NewRequest(http.MethodPost, "http://"+s.Addr()+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	for k, v := range header {
		req.Header.Set(k, v)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}

// Typing does nothing; saving works to the job, once nothing is wrong with it.
func TestEnterJob(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	say := func(text map[string]string, save bool) (out entryReply) {
		b, err := json.Marshal(entryPosted{ID: "x", Text: text, Save: save})
		if err != nil {
			t.Fatal(err)
		}
		status, body := post(t, s, "/station/ready/job?w=400&h=200", string(b), nil)
		if err := json.Unmarshal([]byte(body), &out); err != nil || status != http.StatusOK {
			t.Fatalf("%d %v %s", status, err, body)
		}
		return out
	}
	if out := say(shoptest.SleeveTyped(), false); !strings.HasPrefix(out.Cut, "<svg") || out.Reply != nil || len(src.did) > 0 || !strings.HasPrefix(out.Plan, daemontest.Begins("entry.plan", 6)) {
		t.Errorf("typing: %+v", out)
	}
	bad := shoptest.SleeveTyped()
	bad["ring"] = ""
	if out := say(bad, true); out.Faults["ring"] == "" || len(src.did) > 0 {
		t.Error("a job without a ring was taken")
	}
	src.reply = func(a event.Action) event.Reply {
		return event.Reply{ID: a.ID, Do: a.Do, Ask: true, Why: analysis.Quote("a part is open")}
	}
	if out := say(shoptest.SleeveTyped(), true); out.Reply == nil || !out.Reply.Ask {
		t.Error("the tool's question is not passed on")
	}
	if a := src.did[0]; a.Do != "job" || a.Spec == nil || a.Spec.ID != "J-5001" || a.Source != "page" {
		t.Errorf("done: %+v", a)
	}
}

// Nobody enters a job from elsewhere, or where the page only shows.
func TestEnterJobIsGuarded(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	body := `{"id":"1","save":true,"text":{}}`
	if status, _ := post(t, s, "/station/ready/job", body, map[string]string{"Origin": "http://elsewhere.example"}); status != http.StatusForbidden {
		t.Errorf("from another page: %d", status)
	}
	if status, _ := post(t, s, "/station/ready/job", body, map[string]string{"Content-Type": "text/plain"}); status != http.StatusForbidden {
		t.Errorf("as a form: %d", status)
	}
	if status, _ := post(t, s, "/station/ready/job", `{"text":{"id":"`+strings.Repeat("x", maxAction)+`"}}`, nil); status != http.StatusRequestEntityTooLarge {
		t.Errorf("too long: %d", status)
	}
	cfg.Actions = false
	if status, _ := post(t, serve(t, cfg, src), "/station/ready/job", body, nil); status != http.StatusNotFound && status != http.StatusMethodNotAllowed {
		t.Errorf("where the page only shows: %d", status)
	}
	if len(src.did) > 0 {
		t.Errorf("done: %+v", src.did)
	}
}
