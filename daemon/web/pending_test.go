package web

import (
	"encoding/json"
	"net/http"
	"testing"

	"github.com/chromedp/chromedp"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/web/shoptest"
)

// stalls has a shop's disk take the third attempt at each action only.
func stalls(src *shop) {
	tries := map[string]int{}
	src.reply = func(a event.Action) event.Reply {
		if tries[a.ID]++; tries[a.ID] < 3 {
			return event.Reply{ID: a.ID, Do: a.Do, Pending: true, Why: analysis.Say("daemon.not_on_disk", analysis.Say("store.no_answer"))}
		}
		return event.Reply{ID: a.ID, Do: a.Do, Done: true}
	}
}

// What is not on disk yet is answered as accepted, not as done.
func TestNotRecordedYetIsNotDone(t *testing.T) {
	cfg, src := everything(true)
	s := serve(t, cfg, src)
	stalls(src)
	job, err := json.Marshal(entryPosted{ID: "y", Text: shoptest.SleeveTyped(), Save: true})
	if err != nil {
		t.Fatal(err)
	}
	for path, body := range map[string]string{"/station/ready/do": `{"id":"x","do":"record"}`, "/station/ready/job?w=400&h=200": string(job)} {
		for _, want := range []int{http.StatusAccepted, http.StatusAccepted, http.StatusOK} {
			if status, answer := post(t, s, path, body, nil); status != want {
				t.Errorf("%s: %d, want %d: %s", path, status, want, answer)
			}
		}
	}
}

// The pages say that an action is not recorded yet, and ask again for the same action until it is.
func TestLooksOfADiskThatStalls(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	stalls(src)
	e := newEye(t, serve(t, cfg, src))
	once := func(what string) {
		t.Helper()
		src.mu.Lock()
		defer src.mu.Unlock()
		if len(src.did) != 3 || src.did[0].ID == "" || src.did[0].ID != src.did[1].ID || src.did[1].ID != src.did[2].ID {
			t.Errorf("%s: asked for %+v", what, src.did)
		}
		src.did = nil
	}
	const late = `document.getElementById("note").innerText.includes("not yet recorded: the disk does not answer")`
	e.open("/station/marks", "light", sizes["desk"])
	e.until("the page", drawn)
	e.run(chromedp.Evaluate[chromedp.Void](`document.querySelector("#bar [data-do=record]").click(); document.querySelector("#d-record .yes").click()`))
	e.until("that it is not recorded", late)
	e.until("that it is", `document.getElementById("note").innerText === "done"`)
	once("an action")

	e.open("/station/ready/job?from=J-4112", "light", sizes["desk"])
	e.until("the job", `document.querySelector("#drawing svg .cell")`)
	e.run(chromedp.Evaluate[chromedp.Void](`document.getElementById("f-id").value = "J-5001"; document.getElementById("save").click()`))
	e.until("that it is not recorded", late)
	e.until("the page of the station", `document.getElementById("work")`)
	once("a new job")
}
