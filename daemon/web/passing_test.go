package web

import (
	"sync"
	"testing"
	"time"
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
		{now.Add(-unreachedFor), 0, "broker not reached"},
		{now.Add(-time.Hour), 12, "12 to be passed on"},
	} {
		o.broker(c.since, c.waiting)
		if got := s.passing(now); got != c.want {
			t.Errorf("away %s, %d waiting: %q, want %q", now.Sub(c.since), c.waiting, got, c.want)
		}
	}
	if got := (&Server{src: newShop()}).passing(now); got != "" {
		t.Errorf("without a broker: %q", got)
	}
}

// The page says calmly, beside the sign of the record, that readings are safe here,
// at every size of screen, and takes it back by itself. A warning of the record comes first.
func TestLooksOfABrokerAway(t *testing.T) {
	cfg, src := everything(true)
	o := &outpost{shop: src}
	e := newEye(t, serve(t, cfg, o))
	const says = `document.getElementById("record").innerText.replace(/\s+/g, " ")`
	for name, size := range sizes {
		for _, theme := range e.themes() {
			o.broker(time.Now().Add(-time.Minute), 1234)
			e.open("/station/closing", theme, size)
			e.until("the page to say so", `/recorded here.*1234 to be passed on/.test(`+says+`) && document.getElementById("record").dataset.tone === "safe"`)
			e.until("it to be drawn", drawn)
			for _, w := range e.says(wrong) {
				t.Errorf("%s: %s", name, w)
			}
			e.keep("unreached", theme, name)
			o.broker(time.Time{}, 0)
			e.until("the page to take it back", says+` === "recording"`)
		}
	}
	o.broker(time.Now().Add(-time.Minute), 1234)
	e.open("/station/unrecorded", "light", sizes["panel"])
	e.until("the page", drawn)
	e.until("what is not recorded not to be called recorded", says+` === "NOT RECORDING"`)
}
