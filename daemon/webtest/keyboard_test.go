package webtest

import (
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"

	"fairbore/daemon/broker"
	"fairbore/daemon/daemontest"
)

// tap touches keys of the keyboard on the glass, one for each letter.
func (b *browser) tap(keys ...string) {
	b.t.Helper()
	for _, key := range keys {
		b.do(chromedp.Click(`#keyboard ` + key))
	}
}

func glass(text string) (keys []string) {
	for _, c := range text {
		keys = append(keys, fmt.Sprintf(`[data-key=%q]`, string(c)))
	}
	return keys
}

// TestBrowserKeyboardOnTheGlass types a field of a new job and the passphrase at a screen without
// keys. The keyboard has the letters of the language, hides nothing that is typed into, works in a
// dialog, and is there only where the page was opened for such a screen.
func TestBrowserKeyboardOnTheGlass(t *testing.T) {
	b := newBrowser(t)
	r := daemontest.NewRig(t)
	hash, err := broker.Hash("oil and stones")
	if err != nil {
		t.Fatal(err)
	}
	r.Asks = `, hash: "` + hash + `"`
	r.Plug()
	r.Start()
	shown := `document.querySelector("#keyboard:popover-open")`
	above := func(field string) {
		t.Helper()
		b.wait(field+" above the keyboard", fmt.Sprintf(`(f => f.top >= 0 && f.bottom <= document.getElementById("keyboard").getBoundingClientRect().top)(document.querySelector(%q).getBoundingClientRect())`, field))
	}
	touch := func(field string) { // scrolled to where it can be touched, as a person does
		t.Helper()
		b.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector(%q).scrollIntoView({ block: "center" })`, field)))
		above(field)
		b.do(chromedp.Click(field))
	}
	asked := `document.getElementById("d-login").open && document.activeElement.name === "passphrase"`
	b.open(r.Page()+"/job", 1024, 600)
	b.wait("the passphrase to be asked", asked)
	b.do(chromedp.Click("#d-login input"), chromedp.Evaluate[chromedp.Void](`new Promise((done) => setTimeout(done, 300))`, chromedp.EvalAwaitPromise))
	if ask[bool](b, `!!document.getElementById("keyboard")`) {
		t.Error("a keyboard on the glass of any browser")
	}
	b.open(r.Page()+"/job?kiosk=1&lang=de", 1024, 600)
	b.open(r.Page()+"/job", 1024, 600) // it is kept
	b.wait("the passphrase to be asked", asked)
	b.do(chromedp.Click("#d-login input"))
	b.wait("the keyboard in the dialog", `document.querySelector("#d-login #keyboard:popover-open")`)
	above("#d-login input")
	b.keep("keyboard-passphrase")
	b.axe(t, "passphrase on the glass")
	b.tap(glass("oil and stones")...)
	b.do(chromedp.Click("#d-login .yes"))
	b.wait("the keyboard at the first field, which the page goes to by itself", `document.activeElement.id === "f-id" && document.querySelector("body > #keyboard:popover-open")`)
	touch("#f-orientations")
	b.wait("the keyboard", shown)
	above("#f-orientations")
	b.wait("keys of 48 pixels on the screen", `[...document.querySelectorAll("#keyboard button")].every(k => (r => r.width >= 48 && r.height >= 48 && r.left >= 0 && r.right <= innerWidth && r.bottom <= innerHeight)(k.getBoundingClientRect()))`)
	touch("#f-id")
	above("#f-id")
	b.tap(append([]string{".shift"}, glass("öl")...)...) // a capital and a small letter
	b.tap(append(glass("xy"), ".delete")...)
	b.keep("keyboard-de")
	b.axe(t, "keyboard on the glass")
	if got := ask[string](b, `document.getElementById("f-id").value`); got != "Ölx" {
		t.Errorf("typed %q", got)
	}
	touch("#f-nominal")
	b.tap(glass("31,75")...)
	b.says("e-nominal", "1,250000 in") // the page hears what is typed
	above("#f-nominal")
	b.tap(".done")
	b.wait("the keyboard to go", "!"+shown)

	b.open(r.Page()+"?lang=en", 1024, 600)
	b.question("note")
	b.do(chromedp.Click(`#d-note [name="reason"]`))
	b.wait("the keyboard in the dialog", `document.querySelector("#d-note #keyboard:popover-open")`)
	above(`#d-note [name="reason"]`)
	b.tap(glass("dull")...)
	b.press("a")
	b.wait("the keyboard to make room for a real one", "!"+shown)
}
