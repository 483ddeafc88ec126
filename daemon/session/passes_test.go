package session

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/daemon/event"
	"fairbore/drivers"
)

// play sends what a gauge shows that is put in and rocked through square so often, µm above
// size by k·(sec θ − 1), and drawn out; it returns what is told live of each sample.
func (b *bench) play(passes int, rng *rand.Rand) (told []event.Live) {
	const perSecond, swing, size = 25, 0.8, 31_750.0 // s from one pass to the next, µm
	k := size - 2*b.set.Gauge.Tip.Micrometres()
	show := func(v float64) {
		b.wait(time.Second / perSecond)
		v += 0.1 * rng.NormFloat64()
		b.keep(b.Sample(b.now, "G-11", []drivers.Sample{sample(b.t, fmt.Sprintf("%.4f", v/1000))}))
		l, _ := b.Live()
		told = append(told, l)
	}
	for range 2 * perSecond {
		show(size + 550)
	}
	tilt := func(t float64) float64 { return size + k*(1/math.Cos(2.5*math.Pi/180*math.Cos(math.Pi*t/swing))-1) }
	for i := range int(float64(passes) * swing * perSecond) {
		show(tilt(float64(i) / perSecond))
	}
	for range perSecond {
		show(size + 550)
	}
	return told
}

// How many passes count is told while a reading is waited for, and not once it was taken,
// in the ring that is still to be left, or while the spindle turns. Why a visit gave nothing
// is told until the next one begins.
func TestPassesAreTold(t *testing.T) {
	set := rockedSettings()
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "part", Part: "003"})
	rng := rand.New(rand.NewPCG(17, 3))
	b.must(event.Action{Do: "master", Of: 1})
	ring := b.play(6, rng)
	at := slices.IndexFunc(ring, func(l event.Live) bool { return l.Mastered })
	if at < 0 || b.Fold().Master == nil {
		t.Fatal("the ring was not read")
	}
	for i, l := range ring[at+1:] {
		if l.Passes != 0 || l.Wanted != 0 || l.InBore != (l.Hint.Code == "hint.leave_ring") {
			t.Fatalf("%d samples after the ring was read: %+v", i+1, l)
		}
	}

	before := len(taken(b.all))
	seen, last := []int{}, -1
	for _, l := range b.play(6, rng) {
		if (l.Wanted != 0) != (l.InBore && !l.Hint.IsZero()) || l.Wanted != 0 && l.Wanted != 3 {
			t.Fatalf("wanted: %+v", l)
		}
		if l.InBore && l.Passes != last {
			seen, last = append(seen, l.Passes), l.Passes
		}
	}
	if len(taken(b.all)) != before+1 || len(seen) < 4 || !slices.Equal(seen[:3], []int{0, 1, 2}) || seen[len(seen)-1] != 0 || slices.Max(seen) > 5 {
		t.Errorf("%d readings, passes %v", len(taken(b.all))-before, seen)
	}

	short := b.play(1, rng)
	if l := short[len(short)-1]; l.InBore || l.Passes != 0 || l.Hint.Code != string(capture.OnePass) {
		t.Errorf("after a single pass: %+v", l)
	}
	next := b.play(6, rng)
	in := slices.IndexFunc(next, func(l event.Live) bool { return l.InBore })
	if next[in-1].Hint.Code != string(capture.OnePass) || next[in].Hint.Code != string(capture.NotRocked) {
		t.Errorf("as the next visit begins: %q, then %q", next[in-1].Hint, next[in].Hint)
	}
	if l := next[len(next)-1]; !l.Hint.IsZero() || len(taken(b.all)) != before+2 {
		t.Errorf("after a reading: %+v", l)
	}

	b.keep(b.SpindleState(b.now, true))
	for _, l := range b.play(6, rng) {
		if l.Passes != 0 || l.Wanted != 0 || l.Hint.Code != spindleTurns {
			t.Fatalf("the spindle turns: %+v", l)
		}
	}
	if n := len(taken(b.all)); n != before+2 {
		t.Errorf("%d readings while the spindle turns", n-before-2)
	}
}

// A gauge with a button, or one that comes to rest, makes no passes.
func TestNoPassesAreTold(t *testing.T) {
	for _, mode := range []string{"button", "settled"} {
		set := testSettings()
		set.Capture.Mode = mode
		b := newBench(t, set)
		b.must(event.Action{Do: "job", Job: "J-4112"})
		for _, l := range b.play(4, rand.New(rand.NewPCG(17, 4))) {
			if l.Passes != 0 || l.Wanted != 0 {
				t.Fatalf("%s: %+v", mode, l)
			}
		}
	}
}

// What a hand that holds the gauge at a tilt in the ring adds is not the gauge's noise; that
// is measured in free air, at the plunger's stop.
func TestTremorIsNoNoise(t *testing.T) {
	b := newBench(t, rockedSettings())
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "master", Of: 1})
	rng := rand.New(rand.NewPCG(17, 5))
	for range 80 {
		b.wait(40 * time.Millisecond)
		b.keep(b.Sample(b.now, "G-11", []drivers.Sample{sample(t, fmt.Sprintf("%.4f", 31.76+0.0015*rng.NormFloat64()))}))
	}
	b.play(6, rng)
	m := b.Fold().Master
	if m == nil || m.Noise == nil {
		t.Fatalf("%+v", m)
	}
	if sd := analysis.Length(m.Noise.SD).Micrometres(); sd < 0.05 || sd > 0.2 { // 0.1 was played
		t.Errorf("noise of %.2f µm", sd)
	}
}

// The same hint comes with every sample: it has its text, which is made once.
func TestHintHasItsText(t *testing.T) {
	b := ready(t)
	b.keep(b.SpindleState(b.now, true))
	b.send("31.7510")
	l, _ := b.Live()
	if l.Hint.Code != spindleTurns || l.Hint.Text == "" {
		t.Errorf("%+v", l.Hint)
	}
	if n := testing.AllocsPerRun(100, func() { b.hint(analysis.Phrase{Code: spindleTurns}) }); n != 0 {
		t.Errorf("%v allocations a hint", n)
	}
}
