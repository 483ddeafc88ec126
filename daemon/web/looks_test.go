package web

import (
	"context"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// Every page and state of it, in a real browser at the sizes of a desk screen, a
// panel at a machine and a hand. FAIRBORE_LOOK names a folder that is to get a
// picture of each, by day and by night, for a person to look at.

// sizes are those of the screens, in pixels.
var sizes = map[string][2]int64{"desk": {1920, 1080}, "panel": {1024, 600}, "hand": {390, 844}}

// eye is a browser that looks at a server.
type eye struct {
	t   *testing.T
	ctx context.Context
	web string
	dir string // of the pictures, "" for none
}

func newEye(t *testing.T, s *Server) *eye {
	t.Helper()
	if _, err := exec.LookPath("chromium"); err != nil {
		if os.Getenv("FAIRBORE_ALL") != "" {
			t.Fatal("chromium is not installed")
		}
		t.Skip("chromium is not installed")
	}
	opts := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.ExecPath("chromium"), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("no-first-run", true))
	limit, stop := context.WithTimeout(context.Background(), 10*time.Minute)
	alloc, cancel := chromedp.NewExecAllocator(limit, opts...)
	ctx, closePage := chromedp.NewContext(alloc)
	t.Cleanup(func() {
		if err := chromedp.Cancel(ctx); err != nil {
			t.Logf("close the browser: %v", err)
		}
		closePage()
		cancel()
		stop()
	})
	return &eye{t, ctx, "http://" + s.Addr(), os.Getenv("FAIRBORE_LOOK")}
}

// of is the same browser for a part of the test.
func (e *eye) of(t *testing.T) *eye { return &eye{t, e.ctx, e.web, e.dir} }

func (e *eye) open(path, theme string, size [2]int64) {
	e.t.Helper()
	sep := "?"
	if strings.Contains(path, "?") {
		sep = "&"
	}
	e.run(chromedp.EmulateViewport(size[0], size[1]), chromedp.Navigate(e.web+path+sep+"theme="+theme))
}

func (e *eye) run(steps ...chromedp.Action[chromedp.Void]) {
	e.t.Helper()
	for _, step := range steps {
		if err := chromedp.Do(e.ctx, step); err != nil {
			e.t.Fatal(err)
		}
	}
}

// until waits for an expression of the page to be true.
func (e *eye) until(what, expression string) {
	e.t.Helper()
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(15 * time.Millisecond) {
		ok, err := chromedp.Run(e.ctx, chromedp.Evaluate[bool]("!!("+expression+")"))
		if ok && err == nil {
			return
		}
		if time.Now().After(end) {
			e.t.Fatalf("waited for %s (%v)", what, err)
		}
	}
}

// says returns what an expression of the page is.
func (e *eye) says(expression string) []string {
	e.t.Helper()
	s, err := chromedp.Run(e.ctx, chromedp.Evaluate[[]string](expression))
	if err != nil {
		e.t.Fatal(err)
	}
	return s
}

// keep keeps a picture of what is on the screen.
func (e *eye) keep(name, theme, size string) {
	e.t.Helper()
	if e.dir == "" {
		return
	}
	shot, err := chromedp.Run(e.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		e.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(e.dir, fmt.Sprintf("%s-%s-%s.png", name, size, theme)), shot, 0o644); err != nil {
		e.t.Fatal(err)
	}
}

// themes are those that are looked at: both only where pictures are kept.
func (e *eye) themes() []string {
	if e.dir == "" {
		return []string{"light"}
	}
	return []string{"light", "dark"}
}

// drawn holds once the page of a station shows all that it is sent, at rest.
const drawn = `document.querySelector("#cut svg") && document.getElementById("state").textContent && ((v, c) => v.width === Math.round(c.width) && v.height === Math.round(c.height))(document.getElementById("cut").firstElementChild.viewBox.baseVal, document.getElementById("cut").getBoundingClientRect())`

// wrong lists what a person could not see or touch on a page.
const wrong = `(() => {
	const out = [], seen = (e) => { const s = getComputedStyle(e); return s.visibility !== "hidden" && s.display !== "none" && e.getClientRects().length > 0; };
	const within = (e, what) => { const r = e.getBoundingClientRect(); if (r.width && (r.left < -1 || r.top < -1 || r.right > innerWidth + 1 || r.bottom > innerHeight + 1)) out.push(what + " leaves the screen"); };
	if (document.documentElement.scrollWidth > innerWidth) out.push("wider than the screen");
	for (const e of document.querySelectorAll("button, a.button, dialog[open] label:has(input[type=radio]), dialog[open] label:has(input[type=checkbox]), dialog[open] input:not([type=radio], [type=checkbox]), dialog[open] select")) {
		const r = e.getBoundingClientRect();
		if (seen(e) && (r.height < 47.9 || r.width < 47.9)) out.push((e.id || e.textContent.trim() || e.name) + " is too small to touch: " + r.width + " x " + r.height);
	}
	if (!document.body.classList.contains("station")) return out;
	for (const id of ["word", "number", "unit", "roomnumber", "roomunit", "caption", "state", "advice", "reason", "next", "live", "cautions", "cut", "work", "master", "gauge", "record", "due", "more"]) {
		const e = document.getElementById(id);
		if (e && seen(e)) within(e, id);
	}
	for (const id of ["size", "what", "foot"]) {
		const e = document.getElementById(id);
		if (e.scrollHeight > e.clientHeight + 1 || e.scrollWidth > e.clientWidth + 1) out.push(id + " is cut off");
	}
	const box = (id) => document.getElementById(id).getBoundingClientRect(), hits = (a, b) => a.width && b.width && a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom - 1 && b.top < a.bottom - 1;
	for (const [a, b] of [["number", "room"], ["word", "room"], ["unit", "roomunit"], ["size", "what"], ["what", "cut"], ["size", "cut"], ["hands", "foot"]]) if (hits(box(a), box(b))) out.push(a + " touches " + b);
	const number = document.getElementById("number");
	if (innerWidth > 1000 && number.textContent && parseFloat(getComputedStyle(number).fontSize) * 0.73 < 0.12 * innerHeight) out.push("the figure is less than 12 % of the screen"); // figures are 0.73 of their type size tall
	return out;
})()`

// The whole of each state of a station is on the screen, and nothing of it is cut
// off, covered, or too small to touch.
func TestLooks(t *testing.T) {
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	for name, size := range sizes {
		t.Run(name, func(t *testing.T) {
			e := e.of(t)
			for _, theme := range e.themes() {
				for _, state := range slices.Sorted(maps.Keys(states())) {
					e.open("/station/"+state, theme, size)
					e.until(state+" to be drawn", drawn)
					for _, w := range e.says(wrong) {
						t.Errorf("%s: %s", state, w)
					}
					e.keep(state, theme, name)
				}
			}
		})
	}
}

// So is each question, and each page.
func TestLooksOfQuestionsAndPages(t *testing.T) {
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	for name, size := range sizes {
		t.Run(name, func(t *testing.T) {
			e := e.of(t)
			for _, theme := range e.themes() {
				e.questions(theme, name)
				for _, path := range pagesToTry() {
					e.open(path, theme, size)
					if strings.HasSuffix(path, "wall") {
						e.until("the tiles", `document.querySelectorAll(".tile svg.picture").length > 10`)
					}
					for _, w := range e.says(wrong) {
						t.Errorf("%s: %s", path, w)
					}
					e.keep(strings.NewReplacer("/", "_", "?", "_", "&", "_", "=", "-").Replace(strings.TrimPrefix(path, "/")), theme, name)
				}
			}
		})
	}
}

// questions looks at the actions and at what each of them asks.
func (e *eye) questions(theme, size string) {
	e.t.Helper()
	e.open("/station/marks", theme, sizes[size])
	e.until("the page", drawn)
	e.run(chromedp.Evaluate[chromedp.Void](`document.getElementById("more").click()`))
	for _, w := range e.says(wrong) {
		e.t.Errorf("the actions: %s", w)
	}
	e.keep("actions", theme, size)
	for _, key := range strings.Split("tvugrpmzkdwjnaxs?", "") {
		e.run(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector("#bar [data-key=\"%s\"]").click()`, key)))
		e.until("a question for "+key, `document.querySelector("dialog[open]")`)
		for _, w := range e.says(wrong) {
			e.t.Errorf("the question for %s: %s", key, w)
		}
		e.keep("ask-"+strings.ReplaceAll(key, "?", "keys"), theme, size)
		e.run(chromedp.Evaluate[chromedp.Void](`document.querySelector("dialog[open]").close()`))
	}
}
