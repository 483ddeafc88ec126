package webtest

import (
	"encoding/base64"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/state"
)

// fingers touch the page, and count it.
type fingers struct {
	*browser
	taps, keys int
}

// tap touches what can be seen and is not switched off. After a change of the page it waits as long
// as a finger takes.
func (f *fingers) tap(selector string) {
	f.t.Helper()
	f.wait(selector, fmt.Sprintf(`((e) => e && !e.disabled && e.getClientRects().length)(document.querySelector(%q))`, selector))
	f.do(chromedp.Sleep(500*time.Millisecond), chromedp.Click(selector))
	f.taps++
}

// types types into what has the focus, and goes on with Enter.
func (f *fingers) types(text string) {
	f.t.Helper()
	f.do(chromedp.KeyEvent(text + kb.Enter))
	f.keys += len(text) + 1
}

// has waits until what has the focus is a field of the form.
func (f *fingers) has(field string) {
	f.t.Helper()
	f.wait("the field "+field, fmt.Sprintf(`document.activeElement.name === %q`, field))
}

// offered waits for what stands out to be an action, with a text.
func (f *fingers) offered(do, text string) {
	f.t.Helper()
	f.wait(do+" to be offered: "+text, fmt.Sprintf(`((b) => b.dataset.do === %q && b.textContent.includes(%q))(document.getElementById("due"))`, do, text))
}

// mostTaps is how many touches a whole part with a new job may take, and usualRounds how many rounds it
// may have then, each of one touch.
const mostTaps, usualRounds = 40, 9

// TestBrowserWholePartWithANewJob says who works, enters a job, sets the zero, hones a part to size in
// as many rounds as the advice takes, checks, accepts, saves the record and begins the next part, at a
// panel of 7 inches. Readings are presses at the gauge.
func TestBrowserWholePartWithANewJob(t *testing.T) {
	f := &fingers{browser: newBrowser(t)}
	r := daemontest.NewRig(t)
	r.NoJobs, r.Beside = true, "people:\n  first-shift: {name: first shift, roles: [gauge, accept, set_up]}\n"
	r.Plug()
	r.Start()
	f.open(r.Page(), 1024, 600)
	f.tap("#who")
	f.tap(`#people-list [data-person="first-shift"]`)
	f.says("who", "first shift")
	f.offered("job", en.Text("page.button.job"))
	f.tap("#due") // there is none to choose: the form
	for _, x := range [][2]string{{"id", "J-1"}, {"nominal", "31.75"}, {"low", "0"}, {"high", "+0.010"}, {"length", "63.5"}} {
		f.has(x[0])
		f.types(x[1])
	}
	f.has("material")
	f.do(chromedp.SetValue("#f-material", "tool steel"))
	f.taps += 2 // its list, and a line of that
	f.tap("#e-sections button")
	f.wait("the only ring that fits, and the usual angles", `document.getElementById("f-ring").value === "R-1250" && document.getElementById("f-orientations").value === "0 90"`)
	f.tap("#save")
	f.wait("the page of the station", `document.getElementById("work")?.innerText.includes("J-1")`)
	f.offered("master", en.Text("page.button.master"))
	f.tap("#due")
	atRing := func() {
		t.Helper()
		r.Eventually(20*time.Second, "the ring to be read", func() bool { return r.Bore().Master.Running != nil })
		r.ReadThrice("31.75000")
		r.Eventually(20*time.Second, "the ring", func() bool { return r.Bore().Master.Running == nil })
	}
	atRing()
	size, rounds, no := 31.7350, 0, 0
	gauge := func() *state.Bore {
		t.Helper()
		for i := range 6 {
			no++
			r.Reading(fmt.Sprintf("%.5f", size+0.0001*float64(i%2)), no)
		}
		return r.Bore()
	}
	b := gauge()
	for b.Now.Do == "round" && rounds < 15 {
		n := b.Advice.Strokes
		f.offered("round", en.Text("page.button.round.strokes", n))
		f.tap("#due")
		rounds++
		r.Eventually(20*time.Second, "the round", func() bool { return r.Bore().Round == rounds })
		size += 0.0004 * float64(n) * (1 - 0.02*math.Mod(float64(rounds), 3)) // as stones cut
		b = gauge()
		if got := b.Rounds; got[len(got)-1].Strokes != n {
			t.Fatalf("round %d has %d strokes, advised were %d", rounds, got[len(got)-1].Strokes, n)
		}
	}
	if b.Now.Do == "check" {
		f.tap("#due")
		atRing()
	}
	f.offered("accept", en.Text("page.button.accept"))
	at, err := chromedp.Run(f.ctx, chromedp.Evaluate[[]float64](`((r) => [r.x + r.width / 2, r.y + r.height / 2])(document.getElementById("due").getBoundingClientRect())`))
	if err != nil {
		t.Fatal(err)
	}
	for _, open := range []string{"d-accept", ""} { // a touch that is repeated accepts nothing
		f.do(chromedp.MouseClickXY(at[0], at[1]))
		f.wait(open+" to be open", fmt.Sprintf(`(document.querySelector("dialog[open]")?.id || "") === %q`, open))
	}
	if v := r.Bore().Verdict; v != nil {
		t.Fatalf("two touches at one place gave the result %+v", v)
	}
	f.tap("#due")
	f.tap("#d-accept .yes")
	r.Eventually(20*time.Second, "the result", func() bool { return r.Bore().Verdict != nil })
	if r.Bore().Now.Do == "check" { // it rests on the zero of before
		f.offered("check", en.Text("page.button.check"))
		f.tap("#due")
		atRing()
	}
	f.says("big", en.Text("face.big.accepted"))
	f.wait("the file to be caught", `((made) => (URL.createObjectURL = (file) => (window.saved = file, made.call(URL, file)), true))(URL.createObjectURL)`)
	f.tap(`#hands [data-do="paper"]`)
	f.wait("the record", `window.saved`)
	f.says("note", "fairbore-part-J-1-0001-bay2.pdf")
	pdf, err := chromedp.Run(f.ctx, chromedp.Evaluate[string](`saved.arrayBuffer().then(b => btoa(String.fromCharCode(...new Uint8Array(b))))`, chromedp.EvalAwaitPromise))
	if raw, bad := base64.StdEncoding.DecodeString(pdf); err != nil || bad != nil || !strings.HasPrefix(string(raw), "%PDF-") {
		t.Errorf("the record: %v %v %.40q", err, bad, raw)
	}
	f.offered("part", en.Text("page.button.part"))
	f.tap("#due")
	f.tap("#d-part .yes")
	f.says("work", en.Text("script.part", "0002"))
	t.Logf("%d rounds, %d touches, %d keys", rounds, f.taps, f.keys)
	if all := f.taps + usualRounds - rounds; all > mostTaps || rounds < 2 {
		t.Errorf("%d touches for %d rounds, so %d for %d; at most %d", f.taps, rounds, all, usualRounds, mostTaps)
	}
	r.Stop()
}
