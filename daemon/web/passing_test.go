package web

import (
	"cmp"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"fairbore/analysis/notation"
	"fairbore/daemon/state"
	"fairbore/daemon/web/shoptest"
)

// outpost is a shop whose broker can be away.
type outpost struct {
	*shop
	mu      sync.Mutex
	since   time.Time
	waiting uint64
}

func (o *outpost) Unreached() (time.Time, uint64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.since, o.waiting
}

func (o *outpost) broker(since time.Time, waiting uint64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.since, o.waiting = since, waiting
}

// A broker that is away for a moment is not worth a word; one that stays away is,
// with what waits for it, until it is back.
func TestPassing(t *testing.T) {
	now := time.Now()
	o := &outpost{shop: newShop()}
	s := &Server{src: o}
	for _, c := range []struct {
		since   time.Time
		waiting uint64
		want    string
	}{
		{time.Time{}, 7, ""},
		{now.Add(-unreachedFor + time.Millisecond), 7, ""},
		{now.Add(-unreachedFor), 0, "⟦face.broker.away⟧"},
		{now.Add(-time.Hour), 12, "⟦face.broker.waiting 12⟧"},
	} {
		o.broker(c.since, c.waiting)
		if got := s.passing(now, coded); got != c.want {
			t.Errorf("away %s, %d waiting: %q, want %q", now.Sub(c.since), c.waiting, got, c.want)
		}
	}
	if got := (&Server{src: newShop()}).passing(now, notation.Format{}); got != "" {
		t.Errorf("without a broker: %q", got)
	}
}

// passed holds where an expression says that readings are recorded, and 1234 to be passed on.
func passed(says string) string {
	return fmt.Sprintf("((s) => s.includes(%q) && s.includes(%q))(%s)", en.Text("script.recorded_here"), en.Text("face.broker.waiting", 1234), says)
}

// The page says calmly, beside the sign of the record, that readings are safe here,
// at every size of screen, and takes it back by itself. A warning of the record comes first.
func TestLooksOfABrokerAway(t *testing.T) {
	t.Parallel()
	cfg, src := everything(true)
	o := &outpost{shop: src}
	e := newEye(t, serve(t, cfg, o))
	const says = `document.getElementById("record").innerText.replace(/\s+/g, " ")`
	recording := fmt.Sprintf(says+" === %q", en.Text("face.sign.recording"))
	for name, size := range sizes {
		for _, theme := range e.themes() {
			o.broker(time.Now().Add(-time.Minute), 1234)
			e.open("/station/closing", theme, size)
			e.until("the page to say so", passed(says)+` && document.getElementById("record").dataset.tone === "safe"`)
			e.until("it to be drawn", drawn)
			for _, w := range e.says(wrong) {
				t.Errorf("%s: %s", name, w)
			}
			e.keep("unreached", theme, name)
			o.broker(time.Time{}, 0)
			e.until("the page to take it back", recording)
		}
	}
	o.broker(time.Now().Add(-time.Minute), 1234)
	e.open("/station/unrecorded", "light", sizes["panel"])
	e.until("the page", drawn)
	e.until("what is not recorded not to be called recorded", fmt.Sprintf(says+" === %q", en.Text("face.sign.not_recording")))
}

// The wall says it in the same words, in a line of its own under all stations, and
// takes it back by itself. While a station doesn't record it says none of it.
func TestLooksOfAWallWithABrokerAway(t *testing.T) {
	t.Parallel()
	var bores []*state.Bore
	for name, b := range shoptest.States() {
		if b.Recording {
			b := *b
			b.Station = name
			bores = append(bores, &b)
		}
	}
	slices.SortFunc(bores, func(a, b *state.Bore) int { return cmp.Compare(a.Station, b.Station) })
	bores = bores[:8]
	o := &outpost{shop: newShop(bores...)}
	e := newEye(t, serve(t, Config{Version: "test"}, o))
	const line = `document.getElementById("unpassed")`
	const seen = `(` + line + `.getClientRects().length > 0)`
	for name, size := range sizes {
		for _, theme := range e.themes() {
			o.broker(time.Now().Add(-time.Minute), 1234)
			e.open("/wall", theme, size)
			e.until("the wall to say so", seen+" && "+passed(line+`.innerText.replace(/\s+/g, " ")`))
			e.until("the tiles", `document.querySelectorAll(".tile .figure:not(:empty)").length === 8`)
			for _, w := range append(e.says(wrong), e.says(`(() => {
				const r = `+line+`.getBoundingClientRect(), out = [];
				if (innerWidth > 700 && (r.bottom > innerHeight + 1 || r.height > 0.05 * innerHeight)) out.push("the line is out of sight or large: " + r.bottom + ", " + r.height);
				for (const t of document.querySelectorAll(".tile")) { const b = t.getBoundingClientRect(); if (b.height < 50 || b.bottom > r.top + 1) out.push(t.dataset.station + " is hidden"); }
				return out;
			})()`)...) {
				t.Errorf("%s: %s", name, w)
			}
			e.keep("wall-unreached", theme, name)
			o.broker(time.Now().Add(-time.Minute), 0)
			e.until("the wall to say that nothing waits", fmt.Sprintf(line+".innerText.includes(%q)", en.Text("face.broker.away")))
			o.broker(time.Time{}, 0)
			e.until("the wall to take it back", "!"+seen+` && document.getElementById("said").textContent === ""`)
		}
	}
	o.broker(time.Now().Add(-time.Minute), 1234)
	e.open("/wall", "light", sizes["panel"])
	e.until("the line", seen)
	unrecorded := *bores[3]
	unrecorded.Recording = false
	o.set(&unrecorded)
	e.until("what is not recorded not to be called recorded", "!"+seen)
}
