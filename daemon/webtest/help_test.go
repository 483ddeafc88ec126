package webtest

import (
	"fmt"
	"testing"

	"fairbore/analysis/notation"
)

// The key ? opens the help: the screen, what it is about now, and what was refused last.
func TestBrowserHelp(t *testing.T) {
	r := started(t)
	b := newBrowser(t)
	b.open(r.Page(), 1024, 600)
	f := notation.Format{}
	b.wait("the page", `document.querySelector("#main").dataset.link === "on" || document.querySelector("#due:not([hidden])")`)
	b.press("?")
	b.wait("the help", fmt.Sprintf(`document.querySelector("#d-keys[open] #explained").innerText.includes(%q)`, f.Text("help.screen.station")))
	b.wait("what it is about now", `document.querySelectorAll("#d-keys[open] .topic").length > 0`)
	b.axe(t, "help")
}
