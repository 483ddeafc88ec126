package web

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"fairbore/analysis"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/daemon/web/shoptest"
	"fairbore/daemon/web/view"
)

// Every page and state of it, in a real browser at the sizes of a desk screen, a
// panel at a machine and a hand. FAIRBORE_LOOK names a folder that is to get a
// picture of each, by day and by night, for a person to look at.

// sizes are those of the screens, in pixels.
var sizes = map[string][2]int64{"desk": {1920, 1080}, "panel": {1024, 600}, "hand": {390, 844}}

// shared is the browser of all tests, once one of them has asked for it.
var shared struct {
	once  sync.Once
	ctx   context.Context
	err   error
	close func()
}

// TestMain lets many tests wait at a time, for a page, a gauge or a dead link, and closes
// the browser after them.
func TestMain(m *testing.M) {
	flag.Parse()
	if err := flag.Set("test.parallel", strconv.Itoa(max(6, runtime.GOMAXPROCS(0)))); err != nil {
		panic(err)
	}
	code := m.Run()
	if shared.close != nil {
		shared.close()
	}
	os.Exit(code)
}

// startBrowser starts the browser that is shared.
func startBrowser() {
	dir, err := os.MkdirTemp("", "fairbore-browser-*")
	if err != nil {
		shared.err = err
		return
	}
	opts := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.ExecPath("chromium"), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(dir),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("no-first-run", true))
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, closePage := chromedp.NewContext(alloc)
	shared.ctx = ctx
	shared.close = func() {
		_ = chromedp.Cancel(ctx) // it is stopped below at the latest
		closePage()
		stop()
		_ = os.RemoveAll(dir)
	}
	shared.err = chromedp.Do(ctx, chromedp.Navigate("about:blank")) // it starts with its first step
}

// eye is a page of a browser that looks at a server.
type eye struct {
	t     *testing.T
	ctx   context.Context
	web   string
	dir   string               // of the pictures, "" for none
	spare chan context.Context // pages that parts of the test have done with
}

func newEye(t *testing.T, s *Server) *eye {
	t.Helper()
	daemontest.Needs(t, "chromium")
	if shared.once.Do(startBrowser); shared.err != nil {
		t.Fatal(shared.err)
	}
	return &eye{t, newPage(t), "http://" + s.Addr(), os.Getenv("FAIRBORE_LOOK"), make(chan context.Context, 64)}
}

// newPage is a page that stays until the end of a test. It remembers nothing of others and
// has connections of its own. It is opened with its first step.
func newPage(t *testing.T) context.Context {
	ctx, closePage := chromedp.NewContext(shared.ctx, chromedp.WithNewBrowserContext())
	t.Cleanup(closePage)
	return ctx
}

// of is another page for a part of the test that may go on beside the others.
func (e *eye) of(t *testing.T) *eye {
	part := *e
	part.t = t
	select {
	case part.ctx = <-e.spare:
	default:
		part.ctx = newPage(e.t)
	}
	t.Cleanup(func() { e.spare <- part.ctx })
	return &part
}

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
	for end := time.Now().Add(time.Minute); ; time.Sleep(40 * time.Millisecond) {
		ok, err := chromedp.Run(e.ctx, chromedp.Evaluate[bool]("!!("+expression+")"))
		if ok && err == nil {
			return
		}
		if time.Now().After(end) {
			e.t.Fatalf("waited for %s (%v)", what, err)
		}
	}
}

// says returns what an expression of the page is, once what changed before is on the screen.
func (e *eye) says(expression string) []string {
	e.t.Helper()
	painted := `new Promise((done) => requestAnimationFrame(() => setTimeout(done))).then(() => ` + expression + `)`
	s, err := chromedp.Run(e.ctx, chromedp.Evaluate[[]string](painted, chromedp.EvalAwaitPromise))
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
const drawn = `document.querySelector("#cut svg") && document.getElementById("state").textContent && ((v, c) => v.width === Math.round(c.width) && v.height === Math.round(Math.max(64, c.height)))(document.getElementById("cut").firstElementChild.viewBox.baseVal, document.getElementById("cut").getBoundingClientRect())`

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
	for (const id of ["word", "number", "unit", "roomnumber", "roomunit", "caption", "state", "advice", "reason", "hand", "next", "live", "cautions", "cut", "work", "master", "gauge", "record", "due", "undo", "more"]) {
		const e = document.getElementById(id);
		if (e && seen(e)) within(e, id);
	}
	const head = document.querySelector("header").getBoundingClientRect();
	if (innerWidth === 390 && head.height > 72) out.push("the header takes more than three lines: " + head.height); // 14 px of type
	for (const id of ["what", "foot"]) {
		const e = document.getElementById(id);
		if (e.scrollHeight > e.clientHeight + 1 || e.scrollWidth > e.clientWidth + 1) out.push(id + " is cut off");
	}
	const size = document.getElementById("size").getBoundingClientRect();
	for (const e of document.getElementById("size").children) {
		const r = e.getBoundingClientRect();
		if (r.width && (r.bottom > size.bottom + 1 || r.right > size.right + 1)) out.push(e.id + " leaves its place");
	}
	const box = (id) => document.getElementById(id).getBoundingClientRect(), hits = (a, b) => a.width && b.width && a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom - 1 && b.top < a.bottom - 1;
	for (const [a, b] of [["number", "room"], ["word", "room"], ["unit", "roomunit"], ["size", "what"], ["plate", "room"], ["plate", "what"], ["plate", "size"], ["what", "cut"], ["size", "cut"], ["cut", "foot"], ["hands", "foot"]]) if (hits(box(a), box(b))) out.push(a + " touches " + b);
	const number = document.getElementById("number");
	if (innerWidth > 1000 && number.textContent && parseFloat(getComputedStyle(number).fontSize) * 0.73 < 0.12 * innerHeight) out.push("the figure is less than 12 % of the screen"); // figures are 0.73 of their type size tall
	return out;
})()`

// The whole of each state of a station is on the screen, and nothing of it is cut
// off, covered, or too small to touch.
func TestLooks(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	for _, state := range slices.Sorted(maps.Keys(shoptest.States())) {
		t.Run(state, func(t *testing.T) {
			t.Parallel()
			e := e.of(t)
			for _, theme := range e.themes() {
				e.open("/station/"+state, theme, sizes["desk"])
				for name, size := range sizes {
					e.run(chromedp.EmulateViewport(size[0], size[1]))
					e.until("it to be drawn at "+name, drawn)
					for _, w := range e.says(wrong) {
						t.Errorf("%s: %s", name, w)
					}
					e.keep(state, theme, name)
				}
			}
		})
	}
}

// A caution that comes once all is drawn takes room from the words, which fit again.
func TestLooksOfALateCaution(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	for _, state := range slices.Sorted(maps.Keys(shoptest.States())) {
		t.Run(state, func(t *testing.T) {
			t.Parallel()
			e := e.of(t)
			e.open("/station/"+state, "light", sizes["hand"])
			e.until("it to be drawn", drawn)
			e.until("the page to say that it is silent", silent)
			for _, w := range e.says(wrong) {
				t.Error(w)
			}
		})
	}
}

// So is each question, and each page.
func TestLooksOfQuestionsAndPages(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	e := newEye(t, serve(t, cfg, src))
	for name, size := range sizes {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
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
	for _, key := range strings.Split("gkveprahnomzbdtyjs?", "") {
		e.run(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector("#bar [data-key=\"%s\"]").click()`, key)))
		e.until("a question for "+key, `document.querySelector("dialog[open]")`)
		for _, w := range e.says(wrong) {
			e.t.Errorf("the question for %s: %s", key, w)
		}
		e.keep("ask-"+strings.ReplaceAll(key, "?", "keys"), theme, size)
		e.run(chromedp.Evaluate[chromedp.Void](`document.querySelector("dialog[open]").close()`))
	}
}

// many is a History of many finished parts of the sleeve job, and of one in hand.
type many struct{ shelf }

func (h many) Parts(_ context.Context, f PartFilter) (out []PartLine, earlier uint64, _ error) {
	um := analysis.Length(analysis.Micrometre)
	j := shoptest.Sleeve()
	for n := 140; n > 0; n-- {
		small := j.Target + um*analysis.Length(n*7%11-6)/10
		v := &event.Verdict{Outcome: event.IsAccepted, Reason: analysis.Quote("in size"), Readings: 6, Smallest: small, Largest: small + um*analysis.Length(3+n%5)/10}
		if n%17 == 0 {
			v.Outcome = event.Scrapped
			v.Largest += 2 * um
		}
		l := PartLine{Station: []string{"hone-bay-1", "hone-bay-2"}[n%2], Job: j.ID, Part: fmt.Sprintf("SL-%04d", n), Seq: uint64(100 * n), First: h.play.At.Add(-time.Duration(n) * 47 * time.Minute), Readings: 36, Verdict: v}
		if n == 140 {
			l.Verdict = nil
		}
		if (f.Job == "" || f.Job == l.Job) && (f.Part == "" || f.Part == l.Part) {
			out = append(out, l)
		}
	}
	return out[:min(len(out), f.Limit)], 100, nil
}

// The parts of a shop that has worked for a month, and the lot of a job.
func TestLooksOfHistory(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	cfg.History = many{cfg.History.(shelf)}
	e := newEye(t, serve(t, cfg, src))
	for name, size := range sizes {
		for _, theme := range e.themes() {
			for what, path := range map[string]string{"parts": "/history", "lot": "/history?job=J-4112", "noparts": "/history?part=none"} {
				e.open(path, theme, size)
				for _, w := range e.says(wrong) {
					t.Errorf("%s at %s: %s", what, name, w)
				}
				e.keep(what, theme, name)
			}
		}
	}
}

// switchedOff is why a station is out of reach.
var switchedOff = analysis.Say("wall.no_word_since", "10:42:00", "switched off")

// crowd is a shop some of whose stations are out of reach.
type crowd struct {
	*shop
	gone int
}

// newCrowd is a shop of so many stations, in all states, of which every seventh is
// out of reach.
func newCrowd(n int) crowd {
	st := shoptest.States()
	names := slices.Sorted(maps.Keys(st))
	var c crowd
	var bores []*state.Bore
	for i := range n {
		b := *st[names[(5*i+13)%len(names)]]
		b.Station = fmt.Sprintf("hone-bay-%d", i+1)
		if i%7 == 6 {
			b = *unheard(&b)
			c.gone++
		}
		bores = append(bores, &b)
	}
	c.shop = newShop(bores...)
	return c
}

// A wall shows one station as well as fifty, and which of them are out of reach.
func TestLooksOfWalls(t *testing.T) {
	t.Parallel()
	for _, n := range []int{1, 4, 8, 50} {
		src := newCrowd(n)
		if n == 4 { // the longest of figures and units, in a shop of the usual size
			var bores []*state.Bore
			for i := range n {
				b := *shoptest.Began("long", shoptest.Sleeve()).Master().Rounds(shoptest.SleeveRounds, 1, 2).Bore()
				b.Station = fmt.Sprintf("hone-bay-%d", i+1)
				bores = append(bores, &b)
			}
			src.shop = newShop(bores...)
		}
		e := newEye(t, serve(t, Config{Version: "test"}, src))
		for name, size := range sizes {
			for _, theme := range e.themes() {
				e.open("/wall", theme, size)
				e.until("the tiles", fmt.Sprintf(`document.querySelectorAll(".tile .figure:not(:empty)").length === %d && document.querySelectorAll(".tile.gone").length === %d`, n, src.gone))
				for _, w := range e.says(wrong) {
					t.Errorf("%d stations at %s: %s", n, name, w)
				}
				for _, w := range e.says(`[...document.querySelectorAll(".tile")].flatMap((t) => [...t.querySelectorAll("h2, .figure, .state span")].filter((x) => { const a = x.getBoundingClientRect(), b = t.getBoundingClientRect(); return x.textContent && (a.right > b.right + 1 || a.bottom > b.bottom + 1 || x.scrollWidth > x.clientWidth + 1 && x.clientWidth); }).map((x) => t.dataset.station + ": " + x.textContent + " is cut off"))`) {
					t.Errorf("%d stations at %s: %s", n, name, w)
				}
				e.keep(fmt.Sprintf("wall%d", n), theme, name)
			}
		}
	}
}

// When the program is gone each page says so in large words, and shows no size.
func TestLooksOfALostLink(t *testing.T) {
	t.Parallel()
	for name, size := range sizes {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			cfg, src := everything(true)
			s, stop := serveUntil(t, cfg, src)
			e := newEye(t, s)
			e.open("/station/closing", "light", size)
			e.until("the page", drawn)
			stop()
			e.until("the page to say so", `document.getElementById("word").innerText.toLowerCase() === "no signal" && getComputedStyle(document.getElementById("figure")).visibility === "hidden"`)
			for _, w := range append(e.says(wrong), e.says(`[...document.querySelectorAll("#signs li")].filter((s) => s.dataset.tone !== "none").map((s) => "still says " + s.innerText)`)...) {
				t.Error(w)
			}
			for _, w := range e.says(`["next", "last", "roomnumber", "due"].map((id) => document.getElementById(id)).filter((x) => x.innerText && x.getClientRects().length).map((x) => "still says " + x.innerText)`) {
				t.Error(w)
			}
			e.keep("nolink", "light", name)
		})
	}
}

// Every tone has a shape and a colour of its own, in daylight and in the dark.
func TestTonesHaveShapes(t *testing.T) {
	head, err1 := files.ReadFile("templates/head.html")
	css, err2 := files.ReadFile("static/page.css")
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	var bodies []string
	for _, tn := range []view.Tone{view.Safe, view.Danger, view.Watch, view.Act, view.Stock, view.None} {
		_, after, ok := strings.Cut(string(head), `id="s-`+string(tn)+`"`)
		if !ok {
			t.Errorf("%s has no shape", tn)
			continue
		}
		shape, _, _ := strings.Cut(after, "</symbol>")
		if slices.Contains(bodies, shape) {
			t.Errorf("%s has the shape of another", tn)
		}
		bodies = append(bodies, shape)
		if !strings.Contains(string(css), `[data-tone="`+string(tn)+`"]`) {
			t.Errorf("%s has no colour", tn)
		}
	}
}

// Signing in and out fit each screen: the passphrase, why it is refused, and the button in
// the settings of a browser that may act.
func TestLooksOfSigningIn(t *testing.T) {
	t.Parallel()
	s, src := gated(t)
	e := newEye(t, s)
	click := func(selector string) {
		e.run(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector(%q).click()`, selector)))
	}
	done := func() int {
		src.mu.Lock()
		defer src.mu.Unlock()
		return len(src.did)
	}
	give := func(passphrase string) {
		e.run(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector("#d-login input").value = %q`, passphrase)))
		click("#d-login .yes")
	}
	for name, size := range sizes {
		for _, theme := range e.themes() {
			look := func(what string) {
				for _, w := range e.says(wrong) {
					t.Errorf("%s at %s: %s", what, name, w)
				}
				e.keep(what, theme, name)
			}
			e.open("/station/marks", theme, size)
			e.until("the page", drawn)
			did := done()
			click(`#bar [data-do="dressed"]`)
			click("#d-dressed [name=quick]")
			click("#d-dressed .yes")
			e.until("the passphrase to be asked", `document.querySelector("#d-login").open`)
			give("sand")
			e.until("the refusal", `document.querySelector("#login-why").innerText`)
			look("signin")
			give("oil and stones")
			e.until("the action to be done", `!document.querySelector("dialog[open]")`)
			eventually(t, "the action", func() bool { return done() == did+1 })
			click(`#bar [data-do="settings"]`)
			e.until("the button", `document.querySelector("#sign-out").getClientRects().length`)
			look("signout")
			click("#sign-out")
			e.until("the word", `document.querySelector("#note").innerText && !document.querySelector("dialog[open]")`)
			look("signedout")
			click(`#bar [data-do="settings"]`)
			e.until("the settings", `document.querySelector("#d-settings").open && !document.querySelector("#sign-out").getClientRects().length`)
		}
	}
}
