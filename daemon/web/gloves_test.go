package web

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"fairbore/daemon/web/shoptest"
)

// The page at the machine, on 7 inches of 1024 x 600 pixels (6.65 a millimetre), for gloves and for
// three metres. A target of 15 mm for gloves, and letters of 1/300 of the distance, are common practice.

// small lists what is too small on a panel: buttons below 15 mm, an advice whose last sentence has
// capitals below 10 mm (9.4 mm above a reason of two lines; 8 mm where it is longer than three lines
// itself), and a reason below 3.3 mm, or 2.8 mm beside so long an advice. Capitals are 0.729 of their type.
const small = `(() => {
	const out = [], mm = 6.65, cap = (e) => parseFloat(getComputedStyle(e).fontSize) * 0.729 / mm, seen = (e) => e.getClientRects().length > 0;
	for (const e of document.querySelectorAll("#hands button, #bar button, #bar .button, dialog[open] button, dialog[open] .list label, dialog[open] .quick label")) {
		const r = e.getBoundingClientRect();
		if (seen(e) && (r.width < 15 * mm || r.height < 15 * mm)) out.push(e.textContent + " is " + (r.width / mm).toFixed(1) + " x " + (r.height / mm).toFixed(1) + " mm");
	}
	const last = document.getElementById("advice").lastElementChild, reason = document.getElementById("reason"), long = last.textContent.length > 46;
	if (cap(last) < (long ? 8 : reason.innerText.length > 60 ? 9.4 : 10)) out.push("advice of " + cap(last).toFixed(1) + " mm: " + last.textContent);
	if (seen(reason) && cap(reason) < (long ? 2.8 : 3.3)) out.push("reason of " + cap(reason).toFixed(1) + " mm");
	return out;
})()`

func TestPanelForGlovesAndThreeMetres(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	for _, state := range slices.Sorted(maps.Keys(shoptest.States())) {
		e.open("/station/"+state, "light", sizes["panel"])
		e.until("it to be drawn", drawn)
		for _, w := range e.says(small) {
			t.Errorf("%s: %s", state, w)
		}
	}
	e.run(chromedp.Evaluate[chromedp.Void](`document.getElementById("more").click()`))
	for _, w := range e.says(small) {
		t.Errorf("behind the button: %s", w)
	}
}

// Words are larger on request, and then the drawing, not the words, gives way.
func TestLargerWords(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	for name, size := range sizes {
		reason := map[string][]string{}
		for _, words := range []string{"", "2"} {
			e.open("/station/marks?words="+words, "light", size)
			e.until("it to be drawn", drawn)
			for _, w := range e.says(wrong) {
				t.Errorf("%s, words %q: %s", name, words, w)
			}
			reason[words] = e.says(`[getComputedStyle(document.getElementById("caption")).fontSize]`)
			e.keep("words"+words, "light", name)
		}
		if reason[""][0] == reason["2"][0] {
			t.Errorf("%s: words are not larger: %v", name, reason)
		}
	}
}

// Nothing is chosen beforehand, no field asks for the focus, and no two actions have the same key.
func TestNothingIsChosenBeforehand(t *testing.T) {
	cfg, src := everything(true)
	_, _, page := get(t, serve(t, cfg, src), "/station/rough")
	for _, m := range regexp.MustCompile(`<input[^>]*type="radio"[^>]*>`).FindAllString(page, -1) {
		if strings.Contains(m, "checked") {
			t.Errorf("chosen beforehand: %s", m)
		}
	}
	if strings.Contains(page, "autofocus") {
		t.Error("a field asks for the focus")
	}
	keys := map[string]bool{}
	for _, m := range regexp.MustCompile(`data-key="(.)"[^>]*>([^<]*)`).FindAllStringSubmatch(page, -1) {
		if keys[m[1]] {
			t.Errorf("two actions have the key %s", m[1])
		}
		if keys[m[1]] = true; m[1] != "?" && !strings.Contains(strings.ToLower(m[2]), m[1]) {
			t.Errorf("the key %s is no letter of %q", m[1], m[2])
		}
	}
}

// The page has the state of its station in itself, so that it is not blank until its script has its
// first message, and is read without scripts.
func TestFirstStateIsInThePage(t *testing.T) {
	cfg, src := everything(true)
	_, _, page := get(t, serve(t, cfg, src), "/station/rough")
	for _, want := range []string{`<span id="number">17.2</span>`, `<strong id="state">`, `<p id="advice">6 strokes`, `<section id="cut" aria-label="the bore"><svg`, `id="first">{`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
}

// Beside a keyboard on the screen each question still has its answers in view, and none brings the
// keyboard up by itself.
func TestQuestionsLeaveRoomForAKeyboard(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	for _, size := range [][2]int64{{1024, 330}, {390, 420}, {1024, 600}} {
		e.open("/station/marks", "light", size)
		e.until("the page", `document.getElementById("state").textContent`)
		for _, do := range []string{"record", "keep", "void", "restore", "position", "round", "accept", "part", "note", "master", "check", "bumped", "dressed", "temperature", "study", "job", "settings"} {
			e.run(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector('#bar [data-do="%s"]').click()`, do)))
			e.until("the question", `document.querySelector("dialog[open]")`)
			for _, w := range e.says(`((d) => [
				...[...d.querySelectorAll(".answer button")].filter((b) => b.getClientRects().length).map((b) => b.getBoundingClientRect()).filter((r) => r.top < 0 || r.bottom > innerHeight || r.left < 0 || r.right > innerWidth).map(() => "an answer is out of view"),
				...(document.activeElement.matches("input:not([type=radio], [type=checkbox]), textarea, select") ? ["a field has the focus"] : []),
				...(d.querySelector("input[type=radio]:checked") ? ["chosen beforehand"] : []),
				...(d.querySelector("h2").getBoundingClientRect().top > 40 ? ["it does not stand at the top"] : []),
			])(document.querySelector("dialog[open]"))`) {
				t.Errorf("%s at %v: %s", do, size, w)
			}
			e.run(chromedp.Evaluate[chromedp.Void](`document.querySelector("dialog[open]").close()`))
		}
	}
}

// An answer is off until it can be given, and says what is missing.
func TestAnswerSaysWhatIsMissing(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	e.open("/station/marks", "light", sizes["panel"])
	e.until("the page", drawn)
	e.run(chromedp.Evaluate[chromedp.Void](`document.querySelector('#bar [data-do="bumped"]').click()`))
	e.until("the answer to be off", `document.querySelector("#d-bumped .yes").disabled && document.querySelector("#d-bumped .why").textContent.includes("What happened")`)
	e.run(chromedp.Evaluate[chromedp.Void](`document.querySelector('#d-bumped [name=quick][value=""]').click()`))
	e.until("words to be wanted", `document.querySelector("#d-bumped .yes").disabled && document.querySelector("#d-bumped .words").getClientRects().length`)
	e.run(chromedp.Evaluate[chromedp.Void](`document.querySelector("#d-bumped [name=quick]").click()`))
	e.until("the answer to be on", `!document.querySelector("#d-bumped .yes").disabled && !document.querySelector("#d-bumped .why").textContent`)
}
