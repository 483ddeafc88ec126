package web

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"fairbore/analysis/notation"
	"fairbore/daemon/web/shoptest"
)

// cut lists the texts of a page that are cut off where they stand, and what goes sideways.
const cut = `[...(document.documentElement.scrollWidth > innerWidth ? ["wider than the screen"] : []), ...[...document.querySelectorAll("body *")].filter((e) => { const s = getComputedStyle(e); return e.getClientRects().length && e.clientWidth > 1 && e.scrollWidth > e.clientWidth + 1 && (s.overflowX === "hidden" || s.overflowX === "clip" || e.matches("dialog[open], button, a.button, label, legend")) && (e.matches("dialog") || [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())); }).map((e) => (e.id || e.className || e.tagName) + " is cut off: " + e.textContent.trim().slice(0, 60))]`

// In every language nothing is cut off, covered or sideways. Each state is looked at on one screen,
// another for each, and on all where pictures are kept; pages on a small phone and on the panel at
// the machine, and the questions of it there. On a small phone the page of a station may be longer
// than the screen.
func TestLooksInEachLanguage(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	screens := maps.Clone(sizes)
	screens["small"] = [2]int64{320, 640}
	names := slices.Sorted(maps.Keys(screens))
	for n, l := range notation.Languages() {
		t.Run(l.Tag, func(t *testing.T) {
			t.Parallel()
			e := e.of(t)
			look := func(what, name string) {
				t.Helper()
				all := e.says(cut)
				if name != "small" {
					all = append(all, e.says(wrong)...)
				}
				for _, w := range all {
					t.Errorf("%s at %s: %s", what, name, w)
				}
				e.keep(l.Tag+"-"+strings.NewReplacer("/", "_", "?", "_", "&", "_", "=", "-").Replace(strings.TrimPrefix(what, "/")), "light", name)
			}
			for i, state := range slices.Sorted(maps.Keys(shoptest.States())) {
				on := names[(i+n)%len(names) : (i+n)%len(names)+1]
				if e.dir != "" {
					on = names
				}
				for _, name := range on {
					e.open("/station/"+state+"?lang="+l.Tag, "light", screens[name])
					e.until(state+" to be drawn at "+name, drawn)
					look(state, name)
				}
			}
			for _, path := range pagesToTry() {
				e.open(path, "light", screens["panel"])
				look(path, "panel")
				e.run(chromedp.EmulateViewport(screens["small"][0], screens["small"][1]))
				look(path, "small")
			}
			if l != notation.English() { // which is looked at on every screen
				e.questions("light", "panel")
				e.questions("light", "hand")
			}
		})
	}
}
