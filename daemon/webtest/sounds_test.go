package webtest

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
)

// listen is a script that notes what the page sounds and what it speaks. It notes the shape and the
// frequency of each tone.
const listen = `
window.sounded = []; window.spoken = [];
const start = OscillatorNode.prototype.start;
OscillatorNode.prototype.start = function (t) { sounded.push(this.type + " " + this.frequency.value.toFixed(1)); return start.call(this, t); };
speechSynthesis.speak = (u) => spoken.push(u.text);
import("/static/sounds.js").then((m) => { window.sounds = m.sounds; })`

// ask evaluates an expression in the page.
func ask[T any](b *browser, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// listening opens the page of a mastered gauge and notes what the page sounds.
func listening(t *testing.T) (*browser, *daemontest.Rig) {
	b := newBrowser(t)
	r := started(t)
	r.Master()
	b.open(r.Page(), 1920, 1080)
	b.says("big", en.Text("face.big.measure"))
	ask[chromedp.Void](b, listen)
	return b, r
}

// touch presses a key. A browser needs that before it lets a page sound.
func (b *browser) touch() {
	b.t.Helper()
	b.press(kb.Tab)
	b.wait("the browser to let the page sound", fmt.Sprintf(`!document.getElementById("cautions").innerText.includes(%q)`, en.Text("script.silent")))
	b.wait("the sounds", `window.sounds`)
}

// hears returns the tones that the page sounds because of do. It waits until there are n tones, and
// then a while for more.
func (b *browser) hears(what string, n int, do func()) []string {
	b.t.Helper()
	ask[int](b, `sounded.splice(0).length`)
	do()
	b.wait(fmt.Sprintf("%d tones of %s", n, what), fmt.Sprintf(`sounded.length >= %d`, n))
	time.Sleep(300 * time.Millisecond)
	return ask[[]string](b, `sounded.slice()`)
}

// TestBrowserSounds checks that each event at the gauge has a sound of its own in the page. If the
// browser needs a touch first, the page says so. After the touch the page does not sound the tones
// that it missed.
func TestBrowserSounds(t *testing.T) {
	b, r := listening(t)
	b.says("cautions", en.Text("script.silent"))
	r.Reading("31.74510", 1)
	b.says("next", "90°")
	if now := ask[[]string](b, `sounded`); len(now) > 0 {
		t.Errorf("sounded %q before the browser lets it", now)
	}
	b.touch()
	if now := ask[[]string](b, `sounded`); len(now) > 0 {
		t.Errorf("sounded %q late", now)
	}

	heard := map[string][]string{}
	heard["taken"] = b.hears("a reading", 1, func() { r.Reading("31.74510", 2) })
	if len(heard["taken"]) != 1 {
		t.Errorf("a reading sounds %q", heard["taken"])
	}
	heard["refused"] = b.hears("a value in free air", 2, func() { r.Gauge.Send("+32.40000 mm\r\n") })
	heard["struck out"] = b.hears("a second one, which strikes out", 4, func() { r.Gauge.Send("+32.40010 mm\r\n") })[2:]
	b.says("note", en.Text("face.happened.void", 2))
	for i, s := range []string{"31.74510", "31.74470", "31.74470", "31.74370", "31.74370"} {
		r.Reading(s, i+3)
	}
	b.says("state", en.Text("face.state.stock_to_go"))
	heard["round"] = b.hears("a new round, and the places that are due again", 4, func() { r.Do(event.Action{Do: "round", Strokes: 10}) })
	for i, s := range []string{"31.75160", "31.75150", "31.75150", "31.75140", "31.75170"} {
		r.Reading(s, i+8)
	}
	b.says("next", "2.28 in / 90°")
	heard["in size"] = b.hears("the last reading of a part in size", 4, func() { r.Reading("31.75160", 13) })
	b.says("state", en.Text("face.state.in_size"))
	heard["attention"] = b.hears("a gauge that was knocked", 2, func() { r.Do(event.Action{Do: "bumped", Reason: "the gauge was dropped"}) })
	b.says("big", en.Text("face.big.not_mastered"))
	r.Master()
	heard["over"] = b.hears("the first reading of another round, over size", 4, func() { r.Reading("31.76160", 14) })

	for a, x := range heard {
		for c, y := range heard {
			if a < c && slices.Equal(x, y) {
				t.Errorf("%s and %s sound the same: %q", a, c, x)
			}
		}
	}

	pitches := map[string]bool{}
	var least, most float64 = math.Inf(1), 0
	for i := range 8 {
		one := b.hears("a bay", 1, func() { ask[chromedp.Void](b, fmt.Sprintf(`sounds.tune("bay%d"), sounds.taken()`, i+1)) })[0]
		pitches[one] = true
		var f float64
		if _, err := fmt.Sscanf(one, "sine %f", &f); err != nil {
			t.Fatalf("%q: %v", one, err)
		}
		least, most = min(least, f), max(most, f)
	}
	if len(pitches) != 8 || most > 1.5*least { // a fifth is 3:2
		t.Errorf("eight bays sound %v, %.1f to %.1f Hz", pitches, least, most)
	}
	r.Stop()
}

// TestBrowserSoundSettings checks three settings of the screen: the tone that rises as the size
// nears, the spoken value, and silence.
func TestBrowserSoundSettings(t *testing.T) {
	b, r := listening(t)
	set := func(steps ...chromedp.Action[chromedp.Void]) { b.act("settings", steps...) }
	set(chromedp.SetValue(`#d-settings [name="volume"]`, "0.25"))
	b.wait("the sounds", `window.sounds`)
	taken := b.hears("a reading", 1, func() { r.Reading("31.74010", 1) })
	if spoken := ask[[]string](b, `spoken`); len(taken) != 1 || len(spoken) > 0 {
		t.Errorf("by itself it sounds %q and speaks %q", taken, spoken)
	}
	set(chromedp.Click(`#d-settings [name="rise"]`), chromedp.Click(`#d-settings [name="speak"]`))
	last := 0.0
	for i, shown := range []string{"31.74110", "31.74310", "31.74510", "31.74610"} {
		tones := b.hears("a reading and the room that is left", 2, func() { r.Reading(shown, i+2) })
		tones = slices.DeleteFunc(tones, func(s string) bool { return s == taken[0] })
		var f float64
		if _, err := fmt.Sscanf(tones[len(tones)-1], "sine %f", &f); err != nil || f <= last {
			t.Errorf("at %s mm it sounds %q, before that %.1f Hz", shown, tones, last)
		}
		last = f
	}
	spoken := ask[[]string](b, `spoken`)
	if len(spoken) != 4 || spoken[0] != en.Text("script.minus")+" 412 millionths" { // millionths of an inch: 31.74110 − 0.00030 of zero − 31.75127 mm
		t.Errorf("spoken: %q", spoken)
	}
	set(chromedp.SetValue(`#d-settings [name="volume"]`, "0"))
	ask[int](b, `sounded.splice(0).length`)
	r.Reading("31.74670", 6)
	b.says("last", daemontest.Begins("face.last", 6))
	time.Sleep(300 * time.Millisecond) // the rising tone would come within that time
	if now := ask[[]string](b, `sounded`); len(now) > 0 {
		t.Errorf("sounds %q although it is set to silent", now)
	}
	r.Stop()
}

// slow is a script that can hold up the streams that the page opens from now on, as a slow link
// does. Events that come meanwhile are delivered when the stream is let go. They are lost if the
// stream was closed before that.
const slow = `
window.streams = [];
const Plain = EventSource;
window.EventSource = class extends Plain {
  constructor(url) { super(url); this.greeted = false; this.waiting = null; streams.push(this); }
  addEventListener(kind, f) {
    super.addEventListener(kind, (e) => {
      if (kind === "hello") this.greeted = true;
      if (this.waiting) this.waiting.push(() => this.readyState !== 2 && f(e)); else f(e);
    });
  }
  letGo() { const w = this.waiting; this.waiting = null; for (const f of w) f(); }
};`

// TestBrowserSoundsAcrossStreams turns or resizes a page, which then asks for a new stream. An
// event that the old stream delivers late still sounds, but is not shown.
func TestBrowserSoundsAcrossStreams(t *testing.T) {
	b, r := listening(t)
	b.says("cautions", en.Text("script.silent"))
	b.touch()
	r.Reading("31.74510", 1)
	b.says("last", daemontest.Begins("face.last", 1))

	ask[chromedp.Void](b, slow)
	b.do(chromedp.EmulateViewport(1600, 900))
	b.wait("a slow stream", `streams.length === 1 && streams[0].greeted`)
	time.Sleep(4 * time.Second) // until the stream before it, which can't be held up, has ended
	ask[chromedp.Void](b, `streams[0].waiting = []`)
	heard := b.hears("a reading that the stream before it tells late", 1, func() {
		r.Reading("31.74510", 2)
		b.do(chromedp.EmulateViewport(1024, 768))
		b.wait("a stream anew", `streams.length > 1 && streams.at(-1).greeted`)
		b.says("last", daemontest.Begins("face.last", 2))
		b.wait("what is late", `streams[0].waiting.length > 0`)
		r.Reading("31.74470", 3)
		b.says("last", daemontest.Begins("face.last", 3))
		ask[int](b, `sounded.splice(0).length`)
		ask[chromedp.Void](b, `streams[0].letGo()`)
	})
	if len(heard) != 1 {
		t.Errorf("it sounds %q", heard)
	}
	if last := ask[string](b, `document.getElementById("last").innerText`); !strings.Contains(last, daemontest.Begins("face.last", 3)) {
		t.Errorf("the stream before shows %q", last)
	}
	b.wait("the stream before to end", `streams[0].readyState === 2`)
	r.Stop()
}
