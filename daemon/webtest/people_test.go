package webtest

import (
	"bytes"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"fairbore/daemon/broker"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
)

const (
	shiftPIN     = "274913"
	qualityPIN   = "805162"
	qualityBadge = "FB-7Q2M41"
)

// staffed is a shop where the first shift measures and quality accepts. The gauge's line is recorded.
func staffed(t *testing.T) *daemontest.Rig {
	r := daemontest.NewRig(t)
	hashed := func(pin string) string {
		h, err := broker.Hash(pin)
		if err != nil {
			t.Fatal(err)
		}
		return h
	}
	r.More = "record: true"
	r.Beside = fmt.Sprintf(`people:
  first-shift: {name: first shift, roles: [gauge, set_up], pin_hash: %q}
  quality: {roles: [accept], pin_hash: %q, badge: %q}
`, hashed(shiftPIN), hashed(qualityPIN), qualityBadge)
	r.Plug()
	r.Start()
	return r
}

// TestBrowserPeople works on a part with the buttons of the page alone: it is asked who works there,
// with a PIN, and somebody else accepts with a badge. The PINs and the badge are kept nowhere.
func TestBrowserPeople(t *testing.T) {
	b := newBrowser(t)
	r := staffed(t)
	b.open(r.Page(), 1024, 600)
	b.says("who", en.Text("script.nobody"))
	b.act("part", chromedp.SendKeys(`#d-part [name="part"]`, "SL-001"))
	b.wait("the list of people", `document.getElementById("d-people").open && document.querySelectorAll("#people-list button").length == 2`)
	const small = `[...document.querySelectorAll("#d-people button")].filter((e) => { const c = e.getBoundingClientRect(); return c.width && (e.closest("#people-list") ? c.height < 100 : c.height < 44); }).length`
	b.wait("large buttons, and nothing sideways", small+` == 0 && document.getElementById("d-people").scrollWidth <= document.getElementById("d-people").clientWidth`)
	typed := func(pin string) {
		for _, d := range pin {
			b.do(chromedp.Click(fmt.Sprintf(`#people-pin [data-digit="%c"]`, d)))
		}
		b.do(chromedp.Click(`#people-pin [data-digit="ok"]`))
	}
	b.do(chromedp.Click(`#people-list [data-person="first-shift"]`))
	b.wait("the whole pad to be seen", `document.querySelector('#people-pin [data-digit="ok"]').getBoundingClientRect().bottom <= innerHeight && `+small+` == 0`)
	typed("111111")
	b.says("people-why", en.Text("page.refused.pin"))
	typed(shiftPIN)
	b.says("who", "first shift")
	b.says("work", "SL-001") // the part that was asked for is begun
	if who := r.Bore().Person(); who != "first-shift" {
		t.Errorf("%q works there", who)
	}
	for _, forged := range []event.Action{{Do: "person", Person: "quality"}, {Do: "accept", Person: "quality"}, {Do: "person", Person: "mallory"}} {
		if reply := r.Do(forged); reply.Done || !strings.HasPrefix(reply.Why.Code, "action.") {
			t.Errorf("%+v: %+v", forged, reply)
		}
	}
	readRing(r, b, "master")
	for i := range 6 {
		r.Reading("31.75160", i+1)
	}
	readRing(r, b, "check")
	b.act("accept")
	b.wait("another to be asked for", `document.getElementById("d-people").open && document.querySelectorAll("#people-list button").length == 1`)
	b.press(strings.Split(qualityBadge+"\r", "")...)
	b.says("big", en.Text("face.big.accepted"))
	if v := r.Bore().Verdict; v == nil || v.SignedBy != "quality" {
		t.Errorf("result %+v", v)
	}
	b.do(chromedp.Click("#who"))
	b.do(chromedp.Click("#people-off"))
	b.says("who", en.Text("script.nobody"))
	guessed(t, r)
	r.Stop()
	code, all := r.Exit("export", "--format", "ndjson", r.Journal())
	if code != 0 || !strings.Contains(all, `"person":"first-shift","reading"`) || !strings.Contains(all, `"signed_by":"quality"`) {
		t.Errorf("export ended with %d:\n%s", code, all)
	}
	secret(t, "the journal", []byte(all))
	secret(t, "the log", []byte(r.Log.String()))
	err := filepath.WalkDir(r.Dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() || filepath.Base(path) == "fairbore.yaml" {
			return err
		}
		text, err := os.ReadFile(path)
		secret(t, path, text)
		return err
	})
	if err != nil {
		t.Error(err)
	}
}

// secret fails if a text has a PIN or a badge.
func secret(t *testing.T, where string, text []byte) {
	t.Helper()
	for _, s := range []string{shiftPIN, qualityPIN, qualityBadge} {
		if bytes.Contains(text, []byte(s)) {
			t.Errorf("%s has %s", where, s)
		}
	}
}

// guessed guesses PINs until the page looks at no more of them, and then knows the right one in vain.
func guessed(t *testing.T, r *daemontest.Rig) {
	t.Helper()
	try := func(pin string) int {
		resp, err := http.Post(strings.Replace(r.Page(), "bay2", "bay2/do", 1), "application/json", strings.NewReader(`{"do":"person","person":"quality","pin":"`+pin+`"}`))
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		return resp.StatusCode
	}
	for n := 0; ; n++ {
		if status := try(fmt.Sprintf("%06d", n)); status == http.StatusTooManyRequests {
			break
		} else if status != http.StatusForbidden || n > 24 {
			t.Fatalf("guess %d: %d", n, status)
		}
	}
	if status := try(qualityPIN); status != http.StatusTooManyRequests {
		t.Errorf("the right PIN after too many wrong ones: %d", status)
	}
	if who := r.Bore().Person(); who != "" {
		t.Errorf("%q works there", who)
	}
}
