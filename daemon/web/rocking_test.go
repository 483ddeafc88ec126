package web

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/notation"
	"fairbore/daemon/event"
	"fairbore/daemon/web/shoptest"
	"fairbore/daemon/web/view"
)

// rocked is what a gauge shows that is rocked in a bore.
func rocked(station string, passes int, hint capture.Reason) event.Live {
	j := shoptest.Bush()
	return event.Live{Station: station, Raw: j.Low, Size: j.Low + 7*analysis.Micrometre, Mastered: true, InBore: true, Passes: passes, Wanted: 3, Hint: analysis.Phrase{Code: string(hint)}}
}

// A mark stands for each pass that counts or is wanted; words say the same.
func TestPassesAreSaid(t *testing.T) {
	for n, want := range map[int]view.Needle{0: {Marks: 3, Count: "⟦face.passes_of 0 3⟧"}, 2: {Marks: 3, Count: "⟦face.passes_of 2 3⟧"}, 3: {Marks: 3, Count: "⟦face.passes 3⟧"}, 5: {Marks: 5, Count: "⟦face.passes 5⟧"}} {
		l := rocked("bay1", n, capture.FewPasses)
		got := view.NeedleOf(&l, shoptest.Bush(), coded)
		if got.Passes != n || got.Marks != want.Marks || got.Count != want.Count || got.Hint != "⟦"+string(capture.FewPasses)+"⟧" {
			t.Errorf("%d passes: %+v", n, got)
		}
	}
	l := event.Live{Station: "bay1", Raw: shoptest.Bush().Low}
	if got := view.NeedleOf(&l, shoptest.Bush(), notation.Format{}); got.Marks != 0 || got.Count != "" || got.Hint != "" {
		t.Errorf("not rocked: %+v", got)
	}
}

// hearing notes the tones of a page.
const hearing = `
window.sounded = [];
OscillatorNode.prototype.start = function () { sounded.push(this.type + " " + this.frequency.value.toFixed(1)); };
Object.defineProperty(AudioContext.prototype, "state", { get: () => "running" });
void 0;`

// Each pass more that counts ticks once, higher than the one before, and not like a
// reading; nothing ticks for passes that were before the page, that a new stream tells
// again, that no longer count, or on a page that is silent.
func TestPassesTick(t *testing.T) {
	t.Parallel()
	p := shoptest.Began("bay1", shoptest.Bush()).Master().Rounds(shoptest.BushRounds, 2, 0)
	src := newShop(p.Bore())
	e := newEye(t, serve(t, Config{Version: "test"}, src))
	e.open("/station/bay1", "light", sizes["desk"])
	e.until("the page", drawn)
	e.run(chromedp.Evaluate[chromedp.Void](hearing))
	shows := func(passes, marks int, hint capture.Reason) {
		t.Helper()
		l := rocked("bay1", passes, hint)
		if marks == 0 {
			l.Wanted = 0
		}
		src.live(l)
		e.until(fmt.Sprintf("%d passes, %d marks", passes, marks), fmt.Sprintf(`document.querySelectorAll('#marks [href="#s-pass"]').length === %d && document.querySelectorAll("#marks svg").length === %d && document.getElementById("hint").textContent.toLowerCase() === %q`, passes, marks, strings.ToLower(en.Say(analysis.Phrase{Code: string(hint)}))))
	}
	heard := func() []string {
		t.Helper()
		return e.says(`sounded.splice(0)`)
	}
	shows(2, 3, capture.FewPasses)
	if s := heard(); len(s) > 0 {
		t.Errorf("passes before the page was opened sound %q", s)
	}
	shows(0, 3, capture.NotRocked)
	var ticks []string
	last := 0.0
	for n := 1; n <= 4; n++ {
		shows(n, max(3, n), "")
		shows(n, max(3, n), capture.FewPasses)
		s := heard()
		var f float64
		if len(s) != 1 {
			t.Fatalf("pass %d sounds %q", n, s)
		}
		if _, err := fmt.Sscanf(s[0], "triangle %f", &f); err != nil || f <= last {
			t.Errorf("pass %d sounds %q after %.1f Hz", n, s, last)
		}
		last = f
		ticks = append(ticks, s...)
	}
	e.run(chromedp.EmulateViewport(1600, 900)) // a stream in the place of this one
	e.until("the page at another size", drawn)
	time.Sleep(300 * time.Millisecond)
	shows(4, 4, "")
	shows(3, 3, capture.Scattered)
	if s := heard(); len(s) > 0 {
		t.Errorf("passes that were told before sound %q", s)
	}
	shows(0, 0, "") // the reading was taken
	e.run(chromedp.Evaluate[chromedp.Void](`import("/static/sounds.js").then((m) => m.sounds.taken())`))
	e.until("the tone of a reading", `sounded.length`)
	if s := heard(); len(s) != 1 || slices.Contains(ticks, s[0]) {
		t.Errorf("a reading sounds %q, passes %q", s, ticks)
	}
	e.run(chromedp.Evaluate[chromedp.Void](`import("/static/settings.js").then((m) => { m.settings.volume = "0"; window.muted = true; })`))
	e.until("silence", `window.muted`)
	shows(1, 3, capture.OnePass)
	if s := heard(); len(s) > 0 {
		t.Errorf("silent, it sounds %q", s)
	}
}

// All that the hand is told stands on the page with all else, and moves neither the
// drawing nor the words below it.
func TestLooksOfRocking(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	const place = `((r) => [r.top, r.height].join())(document.getElementById("cut").getBoundingClientRect())`
	for _, state := range slices.Sorted(maps.Keys(shoptest.States())) {
		t.Run(state, func(t *testing.T) {
			t.Parallel()
			e := e.of(t)
			for _, theme := range e.themes() {
				e.open("/station/"+state, theme, sizes["desk"])
				e.until("the page to say that it is silent", silent)
				for name, size := range sizes {
					src.live(event.Live{Station: state, Raw: shoptest.Bush().Low})
					e.run(chromedp.EmulateViewport(size[0], size[1]))
					e.until("it to be drawn at "+name, drawn)
					e.until("nothing to be rocked", `!document.querySelector("#marks svg")`)
					before := e.says(`[` + place + `]`)
					src.live(rocked(state, 4, capture.OneSide))
					e.until("the passes", `document.querySelectorAll("#marks svg").length === 4`)
					for _, w := range e.says(wrong) {
						t.Errorf("%s: %s", name, w)
					}
					if after := e.says(`[` + place + `]`); after[0] != before[0] {
						t.Errorf("%s: the drawing moves from %s to %s", name, before, after)
					}
					e.keep("rocking-"+state, theme, name)
				}
			}
		})
	}
}
