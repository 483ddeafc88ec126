package webtest

import (
	"encoding/base64"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"fairbore/daemon/archive"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
)

// TestBrowserRecords goes from the list of a job's parts to the page of records. It orders the
// record of the job with the Enter key and fetches the record as a file. It makes the other kinds
// of record and checks the journal on the same page. Gauging goes on afterwards.
func TestBrowserRecords(t *testing.T) {
	daemontest.Needs(t, "pdftotext")
	b := newBrowser(t)
	r := started(t)
	b.open(r.Page(), 1024, 600)
	readRing(r, b, "master")
	for i, s := range []string{"31.75160", "31.75150", "31.75150", "31.75140", "31.75170", "31.75160"} {
		r.Reading(s, i+1)
	}
	readRing(r, b, "check")
	b.act("accept")
	b.says("big", en.Text("face.big.accepted"))
	b.open("http://"+r.Web+"/history?job=J-4112", 390, 844)
	b.do(chromedp.Click(`nav a[href^="/records"]`))
	b.wait("the job to be filled in", `document.querySelector("#order [name=job]").value === "J-4112" && document.querySelector("#order [name=part]").disabled`) // shows that the script has loaded
	b.do(chromedp.Focus(`#make`), chromedp.KeyEvent(kb.Enter))
	b.says("came", "fairbore-lot-J-4112.pdf: "+en.Text("script.made.made"))
	name := r.Path("record.pdf")
	if err := os.WriteFile(name, []byte(b.fetched()), 0o600); err != nil {
		t.Fatal(err)
	}
	text, err := exec.Command("pdftotext", "-layout", name, "-").Output()
	if err != nil || !strings.Contains(string(text), "J-4112") || !strings.Contains(string(text), "spindle sleeve") || !strings.Contains(string(text), "µ") {
		t.Errorf("%v: the record says\n%.2000s", err, text)
	}
	for what, want := range map[string]string{"part": "0001", "first-article": strings.ToUpper(en.Text("record.title.article")), "masterings": "R-1250", "readings": "31.7513", "events": `"kind":"mastered"`, "verify": "sound"} {
		b.wait("what is chosen", `((f) => (f.what.value = "`+what+`", f.what.dispatchEvent(new Event("change")), f.format.value = [...f.format.options].some((o) => o.value === "text" && !o.disabled) ? "text" : f.format.value, f.part.value = "", document.getElementById("make").click(), true))(document.getElementById("order"))`)
		b.says("came", what)
		b.says("came", en.Text("script.made.made"))
		if got := b.fetched(); !strings.Contains(got, want) {
			t.Errorf("%s lacks %q: %.500s", what, want, got)
		}
	}
	b.wait("a day without readings", `((f) => (f.what.value = "readings", f.what.dispatchEvent(new Event("change")), f.from.value = f.to.value = "2020-02-02", document.getElementById("make").click(), true))(document.getElementById("order"))`)
	b.says("why", en.Text("page.order.nothing"))
	b.open("http://"+r.Web+"/records", 1024, 600)
	b.wait("the newest job to be chosen", `document.querySelector("#order [name=job]").value === "J-4112"`)
	b.do(chromedp.Click(`#make`)) // with nothing typed and nothing chosen
	b.says("came", "fairbore-lot-J-4112.pdf: "+en.Text("script.made.made"))
	b.wait("the parts to be listed", `((f) => (f.what.value === "part" || (f.what.value = "part", f.what.dispatchEvent(new Event("change"))), [...f.part.options].some((o) => o.value === "0001" && o.textContent.includes("accepted"))))(document.getElementById("order"))`)
	b.wait("a part to be chosen", `((f) => (f.part.value = "0001", document.getElementById("make").click(), true))(document.getElementById("order"))`)
	b.says("came", "fairbore-part-J-4112-0001.pdf: "+en.Text("script.made.made"))
	if reply := r.Do(event.Action{Do: "part"}); !reply.Done {
		t.Fatal(reply.Why)
	}
	r.Reading("31.75160", 1)
	r.Stop()
}

// fetched returns the file that the page offers, as a browser downloads it.
func (b *browser) fetched() string {
	b.t.Helper()
	b.wait("the file to be offered", `document.getElementById("fetch").getClientRects().length`)
	s, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`fetch(document.getElementById("fetch").href).then(r => r.arrayBuffer()).then(b => btoa(String.fromCharCode(...new Uint8Array(b))))`, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatal(err)
	}
	raw, err := base64.StdEncoding.DecodeString(s)
	if err != nil {
		b.t.Fatal(err)
	}
	return string(raw)
}

// TestBrowserReadsRecords checks that a record as a page can be read at a desk and in the hand
// without moving it sideways. Only tables and drawings move sideways, each by itself. No drawing is
// shrunk so far that nobody can read it.
func TestBrowserReadsRecords(t *testing.T) {
	b := newBrowser(t)
	r := daemontest.NewRig(t)
	r.Plug()
	r.Start()
	r.Master()
	for i, s := range []string{"31.74510", "31.74510", "31.74470", "31.74470", "31.74370", "31.74370"} {
		r.Reading(s, i+1)
	}
	if reply := r.Do(event.Action{Do: "disposition", Outcome: event.OnHold, Reason: "a very long reason without an end: " + strings.Repeat("x", 60)}); !reply.Done {
		t.Fatal(reply.Why)
	}
	r.Stop()
	pages := map[string]string{}
	for _, kind := range []string{"part", "lot", "first-article", "masterings"} {
		var page strings.Builder
		if err := archive.Report(t.Context(), r.Path("journal/journal.db"), &page, archive.ReportOptions{Kind: kind, Format: "html", Job: map[bool]string{true: "J-4112"}[kind != "masterings"]}); err != nil {
			t.Fatal(err)
		}
		pages[kind] = page.String()
	}
	pages["study"] = studyPage(t)
	for kind, page := range pages {
		name := r.Path(kind + ".html")
		if err := os.WriteFile(name, []byte(page), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, size := range [][2]int64{{1920, 1080}, {1024, 600}, {390, 844}} {
			b.open("file://"+name, size[0], size[1])
			b.wait("the style", `document.styleSheets.length === 1 && getComputedStyle(document.querySelector(".report h1")).fontWeight >= 600`)
			wide, err := chromedp.Run(b.ctx, chromedp.Evaluate[[]string](`[...document.querySelectorAll(".report *")].filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest("table, figure")).map((e) => e.tagName + " " + e.textContent.slice(0, 60)).concat(document.documentElement.scrollWidth > innerWidth ? ["the page"] : [])`))
			if err != nil {
				t.Fatal(err)
			}
			if len(wide) > 0 {
				t.Errorf("%s at %d: wider than the screen: %q", kind, size[0], wide)
			}
			b.wait("drawings that can be read", `[...document.querySelectorAll("figure svg")].every((s) => [...s.querySelectorAll("text")].every((x) => x.getBoundingClientRect().height >= 7))`)
			if dir := os.Getenv("FAIRBORE_LOOK"); dir != "" {
				shot, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(dir, kind+"-"+map[int64]string{1920: "desk", 1024: "panel", 390: "hand"}[size[0]]+".png"), shot, 0o600); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// studyPage returns the page of a gauge study of ten parts by three people.
func studyPage(t *testing.T) string {
	t.Helper()
	var rows, page strings.Builder
	rows.WriteString("part,operator,size_mm\n")
	for i := range 90 {
		part, who, trial := i/9, i/3%3, i%3
		fmt.Fprintf(&rows, "%d,%c,31.75%03d\n", part+1, 'A'+who, 100+37*part+2*who+(i*7+trial*3)%5)
	}
	if err := archive.ReportGaugeStudy(strings.NewReader(rows.String()), 25400, &page, "gauge G-11", archive.ReportOptions{Format: "html"}); err != nil {
		t.Fatal(err)
	}
	return page.String()
}
