package webtest

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"fairbore/analysis"
	"fairbore/daemon/config"
	"fairbore/daemon/daemontest"
	"fairbore/drivers/simulator"
)

// unknown is a gauge that nothing knows, on a pseudo-terminal: it shows a value and sends it in its
// own way.
type unknown struct {
	t     *testing.T
	line  io.ReadWriter
	frame func(value string) string

	mu    sync.Mutex
	value string
}

func (u *unknown) show(value string) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.value = value
}

// send sends what is shown, as at a press of the button.
func (u *unknown) send() {
	u.mu.Lock()
	defer u.mu.Unlock()
	if _, err := io.WriteString(u.line, u.frame(u.value)); err != nil {
		u.t.Errorf("write to the gauge's line: %v", err)
	}
}

// stream sends what is shown 20 times a second, until the test ends.
func (u *unknown) stream() {
	stop := make(chan struct{})
	u.t.Cleanup(func() { close(stop) })
	go func() {
		for tick := time.NewTicker(50 * time.Millisecond); ; {
			select {
			case <-tick.C:
				u.mu.Lock()
				_, _ = io.WriteString(u.line, u.frame(u.value)) // the line may have ended
				u.mu.Unlock()
			case <-stop:
				return
			}
		}
	}()
}

// answer answers each question mark and carriage return with what is shown.
func (u *unknown) answer() {
	go func() {
		for in := bufio.NewReader(u.line); ; {
			asked, err := in.ReadString('\r')
			if err != nil {
				return
			}
			if strings.HasSuffix(asked, "?\r") {
				u.send()
			}
		}
	}()
}

// person works through the set-up in a browser, and counts what is answered.
type person struct {
	*browser
	answers []string
}

func (p *person) answered(what string) { p.answers = append(p.answers, what) }

func (p *person) fill(field, text string) {
	p.t.Helper()
	p.answered(field)
	p.wait("the field "+field, fmt.Sprintf(`document.getElementById("f-%s")?.getClientRects().length`, field))
	p.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.getElementById("f-%s").value = ""`, field)), chromedp.SendKeys("#f-"+field, text))
}

// pick chooses one of a list.
func (p *person) pick(name, value string) {
	p.t.Helper()
	p.answered(name)
	selector := fmt.Sprintf(`[name=%q][value=%q]`, name, value)
	p.wait("the choice "+name, fmt.Sprintf(`document.querySelector(%q)?.closest("label")?.getClientRects().length`, selector))
	p.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector(%q).click()`, selector)))
}

// choose chooses one of a drop-down list.
func (p *person) choose(field, value string) {
	p.t.Helper()
	p.answered(field)
	p.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`(e => { e.value = %q; e.dispatchEvent(new Event("input", { bubbles: true })); })(document.getElementById("f-%s"))`, value, field)))
}

// press presses a button that leads on, which is no answer.
func (p *person) push(selector string) {
	p.t.Helper()
	p.wait("the button "+selector, fmt.Sprintf(`(e => e && e.getClientRects().length && !e.disabled)(document.querySelector(%q))`, selector))
	p.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector(%q).click()`, selector)))
}

// at waits for a step of the set-up.
func (p *person) at(step string) {
	p.t.Helper()
	p.wait("step "+step, fmt.Sprintf(`document.getElementById("main")?.dataset.step === %q && document.readyState === "complete"`, step))
}

// keep keeps a picture of the page, for a person to look at.
func (p *person) keep(name string) {
	dir := os.Getenv("FAIRBORE_LOOK")
	if dir == "" {
		return
	}
	shot, err := chromedp.Run(p.ctx, chromedp.CaptureScreenshot())
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, name+".png"), shot, 0o644)
	}
	if err != nil {
		p.t.Error(err)
	}
}

// mostAnswers is how many answers may be asked for from an empty page to the first reading.
const mostAnswers = 25

// TestBrowserFromNothingToTheFirstReading sets a shop up at the page, with three gauges that nothing knows:
// one that sends at a press, one that streams and is rocked, and one that only answers. It ends with
// the first reading in the journal.
func TestBrowserFromNothingToTheFirstReading(t *testing.T) {
	job, err := simulator.FindJob("J-4112")
	if err != nil {
		t.Fatal(err)
	}
	three := simulator.Gauges()[3] // it comes to rest
	for name, c := range map[string]struct {
		kind, capture string
		play          simulator.Play
		way           func(*unknown)
		frame         func(string) string
	}{
		"button":    {"three-point", "button", simulator.Play{Button: true}, func(*unknown) {}, func(v string) string { return "D" + v + "\r\n" }},
		"streaming": {"two-point", "turning", simulator.Play{Brisk: true}, (*unknown).stream, func(v string) string { return v + " mm\r" }},
		"asked":     {"three-point", "settled", simulator.Play{Gauge: &three, Brisk: true}, (*unknown).answer, func(v string) string { return v + "\r\n" }},
	} {
		t.Run(name, func(t *testing.T) {
			r := daemontest.NewRig(t)
			r.Plug()
			r.Fresh()
			u := &unknown{t: t, line: r.Gauge.Master, frame: c.frame, value: "+31.7497"}
			p := &person{browser: newBrowserFor(t, 6*time.Minute)}
			began := time.Now()
			p.open("http://"+r.Web+"/", 1024, 600)
			p.at("shop")
			p.fill("shop", "Quarry Lane Honing")
			p.fill("station", "Bay2")
			p.keep("flow-" + name + "-1shop")
			p.push("#save")

			p.at("gauge")
			c.way(u)
			p.do(chromedp.Evaluate[chromedp.Void](`document.querySelector('[name="choice"][value="other"]').click()`))
			p.fill("port_other", r.Gauge.Slave.Name())
			p.keep("flow-" + name + "-2port")
			p.push(`[data-hear="listen"]`)
			if name == "asked" {
				p.answered("it only answers")
				p.push(`[data-hear="ask"]`)
			}
			p.hear(u, name == "button")
			p.keep("flow-" + name + "-4sure")
			p.push(`[data-hear="go"]`)
			p.pick("kind", c.kind)
			if c.capture == "button" { // regular presses look like a stream
				p.pick("way", "button")
			}
			if c.kind == "two-point" {
				p.pick("tip", "2 mm")
				p.pick("averages", "0ms")
			}
			p.keep("flow-" + name + "-5about")
			p.push("#save")

			p.at("ring")
			p.fill("id", "R-1250")
			p.fill("size", "31.7497")
			p.fill("u", "0.25")
			p.choose("due", "2027-11-30")
			p.push("#save")

			p.at("job")
			p.keep("flow-" + name + "-6job")
			p.push("a.button.yes")
			p.wait("the form of a job", `document.getElementById("f-nominal")`)
			p.fill("id", "J-4112")
			p.choose("material", "tool steel")
			p.fill("nominal", "31.75")
			p.fill("low", "0")
			p.fill("high", "+0.00254")
			p.fill("length", "63.5")
			p.answered("usual depths")
			p.push("#e-sections button")
			p.wait("angles and ring to be filled in", `document.getElementById("job").elements.orientations.value && document.getElementById("job").elements.ring.value`)
			p.keep("flow-" + name + "-7job")
			p.push("#save")
			p.wait("contacts, or a question", `document.getElementById("main").dataset.step === "contacts" || document.getElementById("d-ask")?.open`)

			p.at("contacts")
			p.answered("no contacts")
			p.keep("flow-" + name + "-8contacts")
			p.push("#later")
			p.at("sound")
			p.pick("heard_it", "yes")
			p.push("#save")
			p.at("access")
			p.fill("passphrase", "four words of a shop")
			p.keep("flow-" + name + "-9access")
			p.push("#save")
			p.at("master")
			p.keep("flow-" + name + "-master")
			p.push("#go")

			p.says("big", en.Text("face.big.not_mastered"))
			p.answered("begin with the ring")
			rng := rand.New(rand.NewPCG(3, 9))
			for again := 0; again < 3 && !r.Bore().Master.OK; again++ { // readings may scatter too much, as at a machine
				p.act("master")
				r.Eventually(time.Minute, "the ring to be read", func() bool { b := r.Bore(); return b != nil && b.Master.Running != nil })
				for tries := 0; r.Bore().Master.Running != nil && tries < 30; tries++ {
					u.visit(job, c.play, simulator.Master, job.Master.Size, rng)
				}
			}
			for tries := 0; r.Bore().Last == nil && tries < 10; tries++ {
				u.visit(job, c.play, simulator.Measure, job.Low, rng)
				time.Sleep(300 * time.Millisecond)
			}
			if b := r.Bore(); b.Last == nil {
				t.Fatal("no reading")
			}
			t.Logf("%s: %d answers in %s: %s", name, len(p.answers), time.Since(began).Round(time.Second), strings.Join(p.answers, ", "))
			if len(p.answers) > mostAnswers {
				t.Errorf("%d answers: %s", len(p.answers), strings.Join(p.answers, ", "))
			}
			r.Stop()
			if len(r.Taken("bay2")) == 0 {
				t.Error("no reading is in the journal")
			}
			cfg, err := config.Load(r.Path("fairbore.yaml"))
			if err != nil {
				t.Fatal(err)
			}
			if s := cfg.Stations[0]; s.Capture != c.capture || cfg.Gauges[s.Gauge].Kind != c.kind {
				t.Errorf("station %+v", s)
			}
			if code, said := r.Exit("check", r.Path("fairbore.yaml")); code != 0 {
				t.Errorf("check says %d: %s", code, said)
			}
		})
	}
}

// TestBrowserSetUpIsTakenUpAgain closes the browser and cuts the power half way through a step. What was
// typed is there again, and nothing half stands in the configuration.
func TestBrowserSetUpIsTakenUpAgain(t *testing.T) {
	r := daemontest.NewRig(t)
	r.Fresh()
	p := &person{browser: newBrowser(t)}
	p.open("http://"+r.Web+"/", 390, 844)
	p.at("shop")
	p.fill("shop", "Quarry Lane Honing")
	p.fill("station", "Bay2")
	p.push("#save")
	p.at("gauge")
	p.open("http://"+r.Web+"/setup/ring", 390, 844)
	p.at("ring")
	p.fill("id", "R-1250")
	p.fill("size", "31.7497")
	p.says("kept", en.Text("script.kept"))
	before, err := os.ReadFile(r.Path("fairbore.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	r.Kill()
	r.Again()
	again := &person{browser: p.tab()}
	again.open("http://"+r.Web+"/setup/ring", 390, 844)
	again.at("ring")
	again.wait("what was typed", `document.getElementById("f-id").value === "R-1250" && document.getElementById("f-size").value === "31.7497"`)
	after, err := os.ReadFile(r.Path("fairbore.yaml"))
	if err != nil || !bytes.Equal(before, after) {
		t.Errorf("the configuration is now %v\n%s", err, after)
	}
	again.fill("size", "31.75") // as engraved
	again.fill("u", "0.25")
	again.push("#save")
	again.wait("the question", `!document.getElementById("meant").hidden`)
	again.fill("size", "31.7497")
	again.push("#save")
	again.at("job")
	again.open("http://"+r.Web+"/", 390, 844)
	again.at("gauge") // the first step that is open
	r.Stop()
}

// hear has the gauge send, and compares it with its display until the page is sure.
func (p *person) hear(u *unknown, presses bool) {
	p.t.Helper()
	at := func(name string) string { return fmt.Sprintf(`document.querySelector('[data-hear=%q]')`, name) }
	seen := func(name string) bool {
		ok, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](at(name)+`.getClientRects().length > 0`))
		return err == nil && ok
	}
	values := []string{"+31.7497", "-0.0123", "+31.7631", "+12.3456"}
	for n, end := 0, time.Now().Add(100*time.Second); !seen("go"); n++ {
		if time.Now().After(end) {
			p.t.Fatal("the gauge is not known")
		}
		u.show(values[n%len(values)])
		for range 4 {
			if presses {
				u.send()
			}
			time.Sleep(300 * time.Millisecond)
		}
		if n == 2 {
			p.keep("flow-listening")
		}
		if !seen("shown") {
			continue
		}
		p.answered("display")
		number, unit := strings.TrimPrefix(values[n%len(values)], "+"), "mm"
		p.do(chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.getElementById("f-shown_text").value = %q`, number)))
		if checked, _ := chromedp.Run(p.ctx, chromedp.Evaluate[bool](`!!document.querySelector('[name="shown_unit"]:checked')`)); !checked {
			p.pick("shown_unit", unit)
		}
		p.push(`[data-hear="compare"]`)
		time.Sleep(600 * time.Millisecond)
		p.keep("flow-compared")
	}
}

// visit plays a visit of the gauge to a ring or a bore.
func (u *unknown) visit(job *simulator.Job, play simulator.Play, act simulator.Act, size analysis.Length, rng *rand.Rand) {
	from := time.Now()
	job.Gauging(play, act, size, rng, func(f simulator.Frame) bool {
		time.Sleep(time.Until(from.Add(f.At)))
		value, _, _ := bytes.Cut(bytes.TrimSpace(f.Bytes), []byte(" "))
		u.show(string(value))
		if play.Button {
			u.send()
		}
		return false
	})
	if play.Button {
		time.Sleep(500 * time.Millisecond)
	}
}
