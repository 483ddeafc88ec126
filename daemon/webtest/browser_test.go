package webtest

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/daemon/broker"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/store"
)

// browser is a real browser with one page.
type browser struct {
	t   testing.TB
	ctx context.Context
}

// browserFor is how long a browser may live.
const browserFor = 2 * time.Minute

func newBrowser(t testing.TB) *browser {
	t.Helper()
	return newBrowserFor(t, browserFor)
}

func newBrowserFor(t testing.TB, long time.Duration) *browser {
	t.Helper()
	daemontest.Needs(t, "chromium")
	opts := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]),
		chromedp.ExecPath("chromium"), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("no-first-run", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true))
	limit, stop := context.WithTimeout(context.Background(), long)
	alloc, cancel := chromedp.NewExecAllocator(limit, opts...)
	ctx, closePage := chromedp.NewContext(alloc)
	b := &browser{t, ctx}
	t.Cleanup(func() {
		if t.Failed() {
			b.show()
		}
		if err := chromedp.Cancel(ctx); err != nil {
			t.Logf("close the browser: %v", err)
		}
		closePage()
		cancel()
		stop()
	})
	return b
}

// show logs the text of the page, for a test that failed.
func (b *browser) show() {
	ctx, cancel := context.WithTimeout(b.ctx, 3*time.Second)
	defer cancel()
	if s, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.body.innerText`)); err == nil {
		b.t.Logf("the page says:\n%s", s)
	}
}

// tab opens another page of the same browser.
func (b *browser) tab() *browser {
	ctx, closePage := chromedp.NewContext(b.ctx)
	b.t.Cleanup(closePage)
	return &browser{b.t, ctx}
}

func (b *browser) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	for _, step := range steps {
		err := chromedp.Do(b.ctx, step)
		// The page may redraw an element between finding and using it. Nothing was done then, so
		// the step is tried again.
		for end := time.Now().Add(15 * time.Second); err != nil && strings.Contains(err.Error(), "Could not find node") && time.Now().Before(end); {
			err = chromedp.Do(b.ctx, step)
		}
		if err != nil {
			b.t.Fatal(err)
		}
	}
}

func (b *browser) open(url string, w, h int64) {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(w, h), chromedp.Navigate(url))
}

// wait waits until an expression holds in the page.
func (b *browser) wait(what, expression string) {
	b.t.Helper()
	last := error(nil)
	for end := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		ok, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("!!("+expression+")"))
		if err == nil && ok {
			return
		}
		if last = err; time.Now().After(end) {
			b.t.Fatalf("waited for %s (%v)", what, last)
		}
	}
}

// says waits until an element has a text.
func (b *browser) says(id, text string) {
	b.t.Helper()
	b.wait(fmt.Sprintf("#%s to say %q", id, text), fmt.Sprintf("document.getElementById(%q).innerText.toLowerCase().includes(%q)", id, strings.ToLower(text)))
}

// press presses keys, one after the other, at the pace of a person.
func (b *browser) press(keys ...string) {
	b.t.Helper()
	for _, k := range keys {
		b.do(chromedp.KeyEvent(k), chromedp.Sleep(130*time.Millisecond))
	}
}

// act chooses an action by its button, and confirms the question that the page asks.
func (b *browser) act(do string, fill ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	b.question(do)
	b.do(fill...)
	b.do(chromedp.Click("#d-" + do + " .yes:not(:disabled)"))
}

// choose is an answer to a question: a radio button with a name and a value.
func choose(do, name, value string) chromedp.Action[chromedp.Void] {
	return chromedp.Click(fmt.Sprintf(`#d-%s [name=%q][value=%q]`, do, name, value))
}

// question opens the question of an action.
func (b *browser) question(do string) {
	b.t.Helper()
	b.wait("the actions", `document.getElementById("bar").hidden ? (document.getElementById("more").click(), false) : true`)
	b.do(chromedp.Click(`#bar [data-do="` + do + `"]`))
	b.wait("the question", `document.getElementById("d-`+do+`").open`)
}

// readRing begins a mastering or a check on the page, and reads the ring. The gauge shows 0.3 µm
// too much.
func readRing(r *daemontest.Rig, b *browser, do string) {
	r.T.Helper()
	b.act(do)
	r.Eventually(5*time.Second, "the ring to be read", func() bool { return r.Bore().Master.Running != nil })
	r.ReadThrice("31.75000")
	r.Eventually(5*time.Second, "the ring", func() bool { m := r.Bore().Master; return m.OK && m.Running == nil })
}

func started(t *testing.T) *daemontest.Rig {
	r := daemontest.NewRig(t)
	r.Plug()
	r.Start()
	r.Eventually(5*time.Second, "the gauge to be found", func() bool { b := r.Bore(); return b != nil && b.Gauge != nil && !b.Gauge.Lost })
	time.Sleep(400 * time.Millisecond) // after a silence, so that the driver does not doubt the first frame
	return r
}

// TestBrowserWholePart works on the sleeve of the demo, from mastering to acceptance, with the
// buttons of the page.
func TestBrowserWholePart(t *testing.T) {
	b := newBrowser(t)
	r := started(t)
	b.open(r.Page(), 1920, 1080)
	b.says("big", en.Text("face.big.not_mastered"))
	b.act("part", chromedp.SendKeys(`#d-part [name="part"]`, "SL-001"))
	b.says("work", "SL-001")
	readRing(r, b, "master")
	b.says("master", "R-1250")
	b.says("big", en.Text("face.big.measure"))
	for i, s := range []string{"31.74510", "31.74510", "31.74470", "31.74470", "31.74370", "31.74370"} { // the zero is −0.3 µm
		r.Reading(s, i+1)
	}
	b.says("state", en.Text("face.state.stock_to_go"))
	b.says("number", "260") // 31.75000 − 31.74340 = 6.6 µm = 259.8 millionths
	b.act("round", chromedp.SendKeys(`#d-round [name="strokes"]`, "10"))
	b.says("big", en.Text("face.big.measure_again"))
	for i, s := range []string{"31.75160", "31.75150", "31.75150", "31.75140", "31.75170", "31.75160"} {
		r.Reading(s, i+7)
	}
	b.says("state", en.Text("face.state.in_size"))
	b.act("void", choose("void", "reading", "12"), choose("void", "quick", "slipped"))
	b.says("foot", "next")
	r.Reading("31.75160", 13)
	b.says("state", en.Text("face.state.in_size"))
	readRing(r, b, "check")
	b.says("state", en.Text("face.state.in_size"))
	b.act("accept")
	b.says("big", en.Text("face.big.accepted"))
	if v := r.Bore().Verdict; v == nil || !v.Accepted() || v.Part != "SL-001" {
		t.Errorf("verdict %+v", v)
	}
	b.act("part") // nothing is asked, since the part is finished
	b.says("work", en.Text("script.part", "0002"))
	r.Stop()
}

// TestBrowserSecondRing masters on a second ring, which sets the gain if the tick in the question
// of mastering is on. The tick is off again the next time.
func TestBrowserSecondRing(t *testing.T) {
	b := newBrowser(t)
	r := started(t)
	b.open(r.Page(), 1024, 600)
	b.says("big", en.Text("face.big.not_mastered"))
	readRing(r, b, "master")
	b.question("master")
	b.do(chromedp.Click(`#d-master [name="gain"]`), chromedp.Click(`#d-master [data-ring="R-1254"]`))
	r.Eventually(5*time.Second, "the second ring to be read", func() bool { m := r.Bore().Master.Running; return m != nil && m.Second })
	r.ReadThrice("31.84800")
	b.says("master", "gain 1.0204") // a difference of 100 µm is shown as 98
	// The first ring is read again, as a part.
	b.question("check")
	b.do(chromedp.Click(`#d-check [data-how="reread"]`))
	r.Eventually(5*time.Second, "the ring to be re-read", func() bool { m := r.Bore().Master.Running; return m != nil && m.Reread })
	r.ReadThrice("31.75010")
	b.says("last", daemontest.Begins("face.reread.agrees", "R-1250"))
	b.says("note", strings.Split(en.Text("master.reread.agrees", "|", "|"), "|")[1])
	b.press("m")
	b.wait("the question with its tick off", `document.getElementById("d-master").open && !document.querySelector('#d-master [name="gain"]').checked`)
}

// TestBrowserAsks checks that the page shows a question of the program, and sends the person's
// answer.
func TestBrowserAsks(t *testing.T) {
	b := newBrowser(t)
	r := started(t)
	b.open(r.Page(), 1024, 600)
	b.says("big", en.Text("face.big.not_mastered"))
	readRing(r, b, "master")
	r.Reading("31.74510", 1)
	b.act("part")
	b.wait("the question", `document.getElementById("d-ask").open`)
	b.says("ask-what", en.Text("action.open", "0001"))
	b.do(chromedp.Click("#d-ask [data-no]"))
	if r.Bore().Part.Count != 1 {
		t.Error("the next part was begun though the answer was no")
	}
	b.act("part")
	b.wait("the question", `document.getElementById("d-ask").open`)
	b.do(chromedp.Click("#d-ask .yes"))
	b.says("work", en.Text("script.part", "0002"))
	b.question("disposition") // a part without a reading may be put on hold
	b.wait("an answer to be asked for", `document.querySelector("#d-disposition .yes").disabled && document.querySelectorAll("#d-disposition :checked").length === 0`)
	for _, choice := range []string{`[value="on_hold"]`, `[name="quick"]`} { // no keyboard is needed
		b.do(chromedp.Click("#d-disposition " + choice))
	}
	b.do(chromedp.Click("#d-disposition .yes"))
	b.wait("the result", `document.getElementById("d-disposition").open === false`)
	r.Eventually(20*time.Second, "the part on hold", func() bool { v := r.Bore().Verdict; return v != nil && v.Outcome == "on_hold" })
}

// TestBrowserLosesAndFindsTheStation checks that old data are not shown as current. When the
// program is gone the size disappears. When the program is back the size comes back by itself.
func TestBrowserLosesAndFindsTheStation(t *testing.T) {
	b := newBrowser(t)
	r := started(t)
	b.open(r.Page(), 1024, 600)
	b.says("big", en.Text("face.big.not_mastered"))
	readRing(r, b, "master")
	r.Reading("31.74510", 1)
	b.says("number", "205") // 31.75 − 31.7448 = 5.2 µm = 204.7 millionths
	r.Kill()
	b.says("big", en.Text("away.big"))
	b.wait("the size to go", `getComputedStyle(document.getElementById("figure")).visibility === "hidden"`)
	r.Start()
	b.says("state", en.Text("face.state.measure_rest"))
	b.wait("the size to come back", `getComputedStyle(document.getElementById("figure")).visibility === "visible"`)
}

// TestBrowserBrokerAway stops the shop's broker. The toolmaker gauges on, and sees that the
// readings are recorded here and how many wait for the broker. The page no longer says so once the
// broker is back.
func TestBrowserBrokerAway(t *testing.T) {
	daemontest.Needs(t, "mosquitto")
	b := newBrowser(t)
	r := daemontest.NewRig(t)
	m := daemontest.NewMosquitto(t, r.Dir, "allow_anonymous true")
	r.Broker = "url: tcp://" + m.Addr
	r.Plug()
	r.Start()
	r.Master()
	b.open(r.Page(), 1024, 600)
	b.says("record", en.Text("face.sign.recording"))
	m.Stop()
	waiting := en.Text("face.broker.waiting", "")
	b.says("record", en.Text("script.recorded_here"))
	b.says("record", en.Text("face.broker.away"))
	r.Reading("31.74510", 1)
	r.Reading("31.74520", 2)
	b.wait("what waits to be counted", fmt.Sprintf(`+(document.getElementById("record").innerText.match(new RegExp("([0-9]+)" + %q)) || [])[1] >= 2`, waiting))
	b.wait("no alarm", `document.getElementById("record").dataset.tone === "safe" && !document.getElementById("cautions").innerText.toLowerCase().includes("broker")`)
	b.open(r.Page(), 390, 844) // a page that is opened meanwhile says it too
	b.says("record", waiting)
	m.Start()
	b.wait("the page to take it back", fmt.Sprintf(`document.getElementById("record").innerText.trim() === %q`, en.Text("face.sign.recording")))
	r.Stop()
}

// TestBrowserTwoAtOnce checks that two screens of one station show the same.
func TestBrowserTwoAtOnce(t *testing.T) {
	a := newBrowser(t)
	r := started(t)
	a.open(r.Page()+"?unit=mm", 1024, 600)
	b := a.tab()
	b.open("http://"+r.Web+"/wall?unit=mm", 1920, 1080)
	a.says("big", en.Text("face.big.not_mastered"))
	readRing(r, a, "master")
	r.Reading("31.74510", 1)
	a.says("number", "5.2")
	b.wait("the wall", `document.querySelector(".tile .figure").innerText.includes("5.2")`)
}

// TestBrowserKeysOnly checks that everything can be done with keys, and that no key does anything
// without a question first.
func TestBrowserKeysOnly(t *testing.T) {
	b := newBrowser(t)
	r := started(t)
	b.open(r.Page(), 1024, 600)
	b.says("big", en.Text("face.big.not_mastered"))
	before := r.Bore().Seq
	for _, k := range strings.Split("gkveprahonmzbdtyjs?", "") {
		b.press(k)
		b.wait("a question for "+k, `document.querySelector("dialog[open]")`)
		b.press(kb.Escape)
		b.wait("the question to close", `!document.querySelector("dialog[open]")`)
	}
	if got := r.Bore(); got.Seq != before {
		t.Errorf("keys alone have done something: %d events", got.Seq-before)
	}
	b.press("n")
	b.press("A", "7", kb.Enter)
	b.says("work", en.Text("script.part", "A7"))
	// The keys come as from a scanner, which types faster than a browser under test passes keys on.
	b.wait("the scanner to type", `[..."SN-4711"].concat("Enter").forEach((key) => document.body.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }))) === undefined`)
	b.wait("the serial number scanned", `document.querySelector("#d-part [name=part]").value === "SN-4711"`)
	b.press(kb.Enter)
	b.says("work", en.Text("script.part", "SN-4711"))
	b.press("m", kb.Enter)
	r.Eventually(5*time.Second, "the mastering", func() bool { return r.Bore().Master.Running != nil })
	b.press("m", kb.Enter) // leaves the reading of the ring
	r.Eventually(5*time.Second, "the mastering to be left", func() bool { return r.Bore().Master.Running == nil })
	b.press("s")
	b.wait("focus in the settings", `document.activeElement.closest("#d-settings")`)
	b.press(kb.Escape)
	b.wait("the actions to have the focus", `document.activeElement.id === "more"`)
	b.press(" ", kb.Tab)
	b.wait("a focus that shows", `document.activeElement !== document.body && getComputedStyle(document.activeElement).outlineStyle === "solid"`)
}

// TestBrowserNewJob enters a job at the machine. The page reports faults as they are typed. A job
// without faults is worked to, outlives the program, and can be chosen again later.
func TestBrowserNewJob(t *testing.T) {
	b := newBrowser(t)
	r := started(t)
	b.open(r.Page(), 1024, 600)
	b.says("big", en.Text("face.big.not_mastered"))
	b.press("w")
	b.wait("the page of a new job", `document.getElementById("f-nominal")`)
	typed := func(field, text string) {
		t.Helper()
		b.do(chromedp.Evaluate[chromedp.Void](`document.getElementById("f-`+field+`").value = ""`), chromedp.SendKeys("#f-"+field, text))
	}
	typed("id", "J-<b>1")
	typed("nominal", "31.75")
	b.says("e-nominal", "1.250000 in")
	typed("low", "+0.010")
	typed("high", "0")
	b.says("x-high", en.Text("job.low_order", analysis.Size(317_500_000), analysis.Size(317_600_000)))
	typed("low", "0")
	typed("high", "+0.010")
	b.wait("the fault to go", `document.getElementById("x-high").innerText === ""`)
	b.says("e-high", "31.7600 mm")
	typed("length", "63.5")
	b.says("e-sections", en.Text("script.use", "4 32 59"))
	b.do(chromedp.Click("#e-sections button"))
	b.wait("the usual angles", `document.getElementById("f-orientations").value === "0 90"`)
	b.wait("the drawing", `document.querySelector("#drawing svg .cell")`)
	b.do(chromedp.Click("#save"))
	b.says("x-ring", en.Text("entry.missing.ring"))
	b.do(chromedp.SetValue("#f-ring", "R-1250"), chromedp.SetValue("#f-material", "tool steel"), chromedp.Click("#save"))
	b.wait("the page of the station", `document.getElementById("work")`)
	b.says("work", "J-<b>1")
	r.Kill()
	r.Start()
	b.open(r.Page(), 1024, 600)
	b.says("work", "J-<b>1")
	choose := func(id string) {
		t.Helper()
		b.act("job", chromedp.Click(`#d-job [value="`+id+`"]`))
		b.says("work", id)
	}
	choose("J-4112")
	b.open(r.Page(), 1024, 600)
	b.says("work", "J-4112")
	choose("J-<b>1")
	if j := r.Bore().Job; len(j.Plan()) != 6 || j.High.String() != "31.76 mm" {
		t.Errorf("job %+v", j)
	}
}

// TestBrowserPassphrase checks that the passphrase of a shop is asked once, before the first
// action. That action is then done. A restart does not ask again, signing out does.
func TestBrowserPassphrase(t *testing.T) {
	b := newBrowser(t)
	r := daemontest.NewRig(t)
	hash, err := broker.Hash("oil and stones")
	if err != nil {
		t.Fatal(err)
	}
	r.Asks = `, hash: "` + hash + `"`
	r.Plug()
	r.Start()
	b.open(r.Page(), 390, 844)
	b.says("big", en.Text("face.big.not_mastered"))
	b.act("note", chromedp.SendKeys(`#d-note [name="reason"]`, "first"))
	b.wait("the passphrase to be asked", `document.getElementById("d-login").open`)
	b.do(chromedp.SendKeys(`#d-login input`, "sand"), chromedp.Click("#d-login .yes"))
	b.says("login-why", en.Text("page.refused.wrong"))
	b.do(chromedp.SendKeys(`#d-login input`, "oil and stones"), chromedp.Click("#d-login .yes"))
	b.says("note", en.Text("script.done"))
	r.Kill()
	r.Start()
	b.says("big", en.Text("face.big.not_mastered"))
	b.act("note", chromedp.SendKeys(`#d-note [name="reason"]`, "second"))
	b.says("note", en.Text("script.done"))
	b.question("settings")
	b.do(chromedp.Click("#sign-out"))
	b.says("note", en.Text("script.signed_out"))
	b.act("note", chromedp.SendKeys(`#d-note [name="reason"]`, "third"))
	b.wait("the passphrase to be asked again", `document.getElementById("d-login").open`)
	b.do(chromedp.Click("#d-login [data-no]"))
	r.Stop()
	if noted := journalNotes(r); !slices.Contains(noted, "first") || !slices.Contains(noted, "second") || slices.Contains(noted, "third") {
		t.Errorf("the journal has %q", noted)
	}
}

// TestBrowserSmallActions checks the actions that have no place of their own on the page: taking
// back a void, a knock, dressed stones, a note, skipping a place, and looking at the rounds.
func TestBrowserSmallActions(t *testing.T) {
	b := newBrowser(t)
	r := started(t)
	b.open(r.Page(), 390, 844)
	b.says("big", en.Text("face.big.not_mastered"))
	b.wait("the action that is due", fmt.Sprintf(`document.getElementById("due").innerText === %q`, en.Text("page.button.master")))
	readRing(r, b, "master")
	r.Reading("31.74510", 1)
	r.Reading("31.74520", 2)
	b.act("void", choose("void", "reading", "2"), choose("void", "quick", "dirt"))
	b.says("next", "0.20 in / 90°")
	b.act("void", choose("void", "quick", "dirt")) // of the one that is left
	b.says("next", "0.20 in / 0°")
	b.act("restore", choose("restore", "reading", "1")) // this is not the newest void
	b.says("next", "90°")
	if v := r.Bore().Voids; len(v) != 1 || v[0].No != 2 {
		t.Errorf("struck out: %+v", v)
	}
	b.says("undo", en.Text("undo.restore", 1)) // each is taken back by one touch, and that by another
	b.do(chromedp.Click("#undo"))
	b.says("next", "0.20 in / 0°")
	b.says("undo", en.Text("undo.void", 1))
	b.do(chromedp.Click("#undo"))
	b.says("next", "90°")
	b.question("position")
	b.do(chromedp.Click(`#d-position label:nth-child(2)`), chromedp.Click(`#d-position [data-how="skip"]`))
	b.says("next", "1.26 in / 0°")
	b.do(chromedp.Click("#undo"))
	b.says("next", "0.20 in / 90°")
	b.question("position")
	b.do(chromedp.Click(`#d-position label:nth-child(2)`), chromedp.Click(`#d-position [data-how="skip"]`))
	b.says("next", "1.26 in / 0°")
	b.act("dressed", chromedp.Click(`#d-dressed [value="trued"]`))
	b.act("note", chromedp.SendKeys(`#d-note [name="reason"]`, "<img src=x> oil changed"))
	b.press("c")
	b.wait("the sections by round", `document.querySelectorAll("#sections .channel").length === 3 && document.getElementById("sections").getBoundingClientRect().width > 300`)
	b.press("x")
	b.wait("the approach by honing done", fmt.Sprintf(`document.getElementById("rounds").innerHTML.includes(%q)`, en.Text("picture.approach.honing", "")))
	b.press("x")
	b.wait("the approach by the clock", fmt.Sprintf(`document.getElementById("rounds").innerHTML.includes(%q)`, en.Text("picture.approach.clock", "")))
	b.press("c")
	b.act("bumped", chromedp.Click(`#d-bumped [value="dropped"]`))
	b.says("big", en.Text("face.big.not_mastered"))
	b.says("reason", en.Text("page.reason.dropped"))
	r.Stop()
	noted := journalNotes(r)
	for _, want := range []string{en.Text("page.reason.trued"), "<img src=x> oil changed", en.Text("page.reason.dropped")} {
		if !slices.Contains(noted, want) {
			t.Errorf("the journal lacks %q; it has %q", want, noted)
		}
	}
}

// TestBrowserStudy does a gauge study from start to end with the buttons of the page. The page of
// the study, open beside it, says who is to gauge what, and in the end the result.
func TestBrowserStudy(t *testing.T) {
	b := newBrowser(t)
	r := started(t)
	b.open(r.Page(), 390, 844)
	b.says("big", en.Text("face.big.not_mastered"))
	readRing(r, b, "master")
	page := b.tab()
	page.open("http://"+r.Web+"/study/bay2", 1920, 1080)
	page.says("study", "no gauge study yet")
	b.act("study", chromedp.SendKeys(`#d-study [name="appraisers"]`, "first shift, <b>night"), chromedp.SetValue(`#d-study [name="parts"]`, "2"), chromedp.SetValue(`#d-study [name="trials"]`, "2"))
	b.says("advice", en.Text("now.study.trial", "first shift", "1", 1, 2))
	page.says("study", en.Text("record.n_of_m", 0, 8))
	for i, size := range []string{"31.74510", "31.74710", "31.74520", "31.74720", "31.74530", "31.74720", "31.74520", "31.74730"} {
		if i > 0 {
			b.wait("the next turn to be offered", fmt.Sprintf(`document.getElementById("due").innerText === %q`, en.Text("page.button.study")))
			b.do(chromedp.Click("#due"))
			b.wait("the question", `document.getElementById("d-study").open && document.querySelector("#d-study [name=part]").value`)
			if i == 4 {
				b.wait("the other appraiser to be proposed", `document.querySelector("#d-study [name=appraiser]").value === "<b>night"`)
				for _, w := range []string{"select", "input[name=part]", "label:has([name=over])", ".yes"} {
					b.wait(w+" to be large enough for a glove", `(r => r.height >= 48 && r.width >= 48)(document.querySelector("#study-turn ~ .answer .yes, #d-study `+w+`").getBoundingClientRect())`)
				}
			}
			b.press(kb.Enter) // the answer has the focus
			b.wait("the question to close", `!document.getElementById("d-study").open`)
		}
		b.says("big", en.Text("face.big.study_trial"))
		r.Gauge.Send("+" + size + " mm\r\n")
		b.says("big", en.Text("face.big.study_next"))
		page.says("study", en.Text("record.n_of_m", i+1, 8))
	}
	b.says("advice", en.Text("now.study.all"))
	b.act("study") // the page proposes to end the study
	page.wait("the end", fmt.Sprintf(`!document.getElementById("study").innerText.includes(%q) && document.querySelectorAll("#study figure").length === 2`, en.Text("record.n_of_m", 8, 8)))
	page.says("study", en.Text("record.study.size", 2, 2, 2))
	page.says("study", "<b>night 2")
	page.says("study", daemontest.Begins("study.note.few_pairs", 2, 2))
	r.Eventually(5*time.Second, "the state without a study", func() bool { return r.Bore().Study == nil }) // the page follows the journal
	for name, size := range map[string][2]int64{"desk": {1920, 1080}, "hand": {390, 844}} {
		for _, theme := range []string{"light", "dark"} {
			page.open("http://"+r.Web+"/study/bay2?theme="+theme, size[0], size[1])
			page.says("study", en.Text("record.study.classes"))
			page.wait("no sideways scroll", `document.documentElement.scrollWidth <= innerWidth`)
			page.keep("study-" + name + "-" + theme)
			page.axe(t, "/study/bay2 "+theme)
		}
	}
	page.open("http://"+r.Web+"/history?job=J-4112", 390, 844)
	page.do(chromedp.Click(`.studies a`))
	page.says("study", en.Text("record.study.classes"))
	r.Stop()
}

// keep saves a picture of the page in the folder FAIRBORE_LOOK, for a person to look at.
func (b *browser) keep(name string) {
	b.t.Helper()
	dir := os.Getenv("FAIRBORE_LOOK")
	if dir == "" {
		return
	}
	shot, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), shot, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// axe checks the page with axe-core, if that is installed.
func (b *browser) axe(t *testing.T, name string) {
	t.Helper()
	path := os.Getenv("FAIRBORE_AXE")
	if path == "" {
		return // TestBrowserAccessible reports that it is missing
	}
	axe, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b.do(chromedp.Evaluate[chromedp.Void](string(axe)))
	found, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`axe.run({runOnly: {type: "tag", values: ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa"]}}).then(r => JSON.stringify(r.violations))`, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatal(err)
	}
	var violations []struct {
		ID, Impact, Help string
		Nodes            []struct{ HTML, FailureSummary string }
	}
	if err := json.Unmarshal([]byte(found), &violations); err != nil {
		t.Fatal(err)
	}
	for _, v := range violations {
		if v.Impact == "serious" || v.Impact == "critical" {
			t.Errorf("%s: %s (%s): %+v", name, v.Help, v.ID, v.Nodes)
		}
	}
}

// journalNotes returns the notes in the journal, and the reasons that were picked, as texts.
func journalNotes(r *daemontest.Rig) (out []string) {
	r.T.Helper()
	j, err := store.View(context.Background(), r.Path("journal/journal.db"))
	if err != nil {
		r.T.Fatal(err)
	}
	defer j.Close()
	for rec, err := range j.Query(context.Background(), store.Filter{Station: "bay2"}) {
		if err != nil {
			r.T.Fatal(err)
		}
		if rec.Note != "" {
			out = append(out, rec.Note)
		}
		if rec.Why != nil {
			out = append(out, en.Say(*rec.Why))
		}
	}
	return out
}

// TestBrowserFits checks that what matters is on the screen without scrolling, at the machine and
// in the hand. Nothing is ever wider than the screen, not even zoomed to 200 %.
func TestBrowserFits(t *testing.T) {
	b := newBrowser(t)
	r := started(t)
	b.open(r.Page(), 1024, 600)
	b.says("big", en.Text("face.big.not_mastered"))
	readRing(r, b, "master")
	for i, s := range []string{"31.74510", "31.74510", "31.74470", "31.74470", "31.74370"} {
		r.Reading(s, i+1)
	}
	for _, size := range [][2]int64{{1920, 1080}, {1024, 600}, {390, 844}, {960, 540}, {512, 300}, {320, 640}} {
		for _, path := range []string{"/station/bay2", "/station/bay2/job", "/wall", "/plan", "/history", "/records"} {
			b.open("http://"+r.Web+path, size[0], size[1])
			if path == "/station/bay2" {
				b.says("number", "2")
			}
			b.wait(fmt.Sprintf("no sideways scroll of %s at %v", path, size), `document.documentElement.scrollWidth <= innerWidth`)
		}
	}
	for _, size := range [][2]int64{{1920, 1080}, {1024, 600}, {390, 844}} {
		b.open(r.Page(), size[0], size[1])
		b.says("number", "2")
		b.says("cautions", en.Text("script.silent")) // adds a line
		b.keep(fmt.Sprintf("silent-%d", size[0]))
		for _, id := range []string{"number", "unit", "caption", "state", "advice", "cut", "next", "live", "cautions", "more", "master", "gauge", "record"} {
			b.wait(fmt.Sprintf("#%s to be on the screen at %v", id, size), fmt.Sprintf(`(r => r.width > 0 && r.left >= 0 && r.top >= 0 && r.right <= innerWidth + 1 && r.bottom <= innerHeight + 1)(document.getElementById(%q).getBoundingClientRect())`, id))
		}
		b.wait("nothing of the advice to be cut off", `document.getElementById("what").scrollHeight <= document.getElementById("what").clientHeight + 1`)
		if size[0] > 1000 { // at the machine; figures are 0.73 of their type size tall in the fonts of the page
			b.wait("figures of 12 % of the screen", `parseFloat(getComputedStyle(document.getElementById("number")).fontSize) * 0.73 >= 0.12 * innerHeight`)
		}
		b.wait("buttons large enough for a glove", `[...document.querySelectorAll("button")].every(e => { const r = e.getBoundingClientRect(); return r.width === 0 || (r.height >= 48 && r.width >= 48); })`)
	}
}

// TestBrowserAccessible checks that axe-core finds nothing seriously wrong with any page, in the
// light and in the dark theme.
func TestBrowserAccessible(t *testing.T) {
	if os.Getenv("FAIRBORE_AXE") == "" {
		daemontest.Missing(t, "FAIRBORE_AXE does not name axe.min.js of axe-core")
	}
	b := newBrowser(t)
	r := started(t)
	b.open(r.Page(), 1024, 600)
	b.says("big", en.Text("face.big.not_mastered"))
	readRing(r, b, "master")
	r.Reading("31.74510", 1)
	for _, theme := range []string{"light", "dark"} {
		for _, page := range []struct{ path, first string }{
			{"/station/bay2", `document.getElementById("number").innerText`},
			{"/station/bay2", `(document.getElementById("more").click(), true)`},
			{"/station/bay2", `document.querySelector("dialog[open]") || (document.querySelector('[data-do="void"]').click(), false)`},
			{"/station/bay2", `document.querySelector("dialog[open]") || (document.querySelector('[data-do="study"]').click(), false)`},
			{"/study/bay2", `true`},
			{"/wall", `document.querySelector(".tile .figure").innerText`},
			{"/plan?nominal=x", `true`},
			{"/station/bay2/job?from=J-4112", `document.querySelector("#drawing svg")`},
			{"/history", `document.querySelector("table a")`},
			{"/records?what=verify", `document.getElementById("text").innerText.includes("sound") || (document.getElementById("make").click(), false)`},
		} {
			b.open("http://"+r.Web+page.path+map[bool]string{true: "&", false: "?"}[strings.Contains(page.path, "?")]+"theme="+theme, 1024, 600)
			b.wait("the page", page.first)
			b.axe(t, page.path+", "+theme)
		}
	}
}

// BenchmarkGaugeToPage measures the time from the last byte of the gauge's frame to the changed
// page, and to the picture that the browser draws after the change, at 20 values a second. The
// gauge and the page run on one machine, so they share a clock.
func BenchmarkGaugeToPage(b *testing.B) {
	page := newBrowser(b)
	r := daemontest.NewRig(b)
	r.Plug()
	r.Start()
	page.open(r.Page()+"?unit=mm", 1024, 600)
	page.says("big", en.Text("face.big.not_mastered"))
	page.do(chromedp.Evaluate[chromedp.Void](`window.changed = {}; window.drawn = {}; new MutationObserver(() => {
		const s = document.getElementById("shows").textContent, now = () => performance.timeOrigin + performance.now();
		window.changed[s] ??= now();
		requestAnimationFrame(() => setTimeout(() => { window.drawn[s] ??= now(); }));
	}).observe(document.getElementById("shows"), {childList: true, characterData: true, subtree: true})`))
	sent := map[string]float64{}
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	send := func() {
		<-tick.C
		text := fmt.Sprintf("31.%04d", 6500+len(sent))
		r.Gauge.Send("+" + text + "0 mm\r\n")
		sent[text+" mm"] = float64(time.Now().UnixMicro()) / 1000
	}
	for b.Loop() {
		send()
	}
	for len(sent) < 400 { // fewer values say nothing of the slowest twentieth
		send()
	}
	b.ReportMetric(0, "ns/op") // removes ns/op, which is only the pace of the gauge
	time.Sleep(500 * time.Millisecond)
	for _, what := range []string{"changed", "drawn"} {
		seen, err := chromedp.Run(page.ctx, chromedp.Evaluate[map[string]float64]("window."+what))
		if err != nil {
			b.Fatal(err)
		}
		var ms []float64
		for s, at := range sent {
			if got, ok := seen[s]; ok {
				ms = append(ms, got-at)
			}
		}
		if len(ms) < len(sent)/2 {
			b.Fatalf("the page showed %d of %d values", len(ms), len(sent))
		}
		slices.Sort(ms)
		b.ReportMetric(ms[len(ms)/2], "ms-median-"+what)
		b.ReportMetric(ms[len(ms)*95/100], "ms-p95-"+what)
		b.ReportMetric(float64(len(ms))/float64(len(sent))*100, "%"+what)
	}
}

var en notation.Format

// A quality engineer gives a finished part another result on its page, without a keyboard. The one
// before it stays on the page.
func TestBrowserSupersedesAResult(t *testing.T) {
	b := newBrowser(t)
	r := started(t)
	r.Master()
	r.Reading("31.74510", 1)
	if reply := r.Do(event.Action{Do: "disposition", Outcome: event.OnHold, Reason: "scratched near the end"}); !reply.Done {
		t.Fatal(reply.Why)
	}
	r.Eventually(20*time.Second, "the result", func() bool { return r.Bore().VerdictSeq > 0 })
	b.open("http://"+r.Web+"/history", 1024, 600)
	b.do(chromedp.Click(`main td a[href^="/part/"]`))
	b.says("outcome", en.Text("outcome.on_hold"))
	b.do(chromedp.Click("#change"))
	b.says("disposition-what", en.Text("outcome.on_hold"))
	for _, choice := range []string{`[value="concession"]`, `[name="quick"]`} {
		b.do(chromedp.Click("#d-disposition " + choice))
	}
	b.wait("the number of the concession to be asked for", `document.querySelector("[name=number]").getClientRects().length > 0`)
	b.do(chromedp.Click(`#d-disposition [value="scrap"]`))
	b.wait("it to be asked no more", `document.querySelector("[name=number]").getClientRects().length === 0`)
	b.do(chromedp.Click("#d-disposition .yes"))
	b.says("outcome", en.Text("outcome.scrap"))
	b.says("main", "scratched near the end")
	if v := r.Bore().Verdict; v.Outcome != event.Scrapped || v.Supersedes == 0 {
		t.Errorf("the result is %+v", v)
	}
}
