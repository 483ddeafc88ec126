package session

import (
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/drivers"
)

// lively is a value with the last digit moving, as that of a gauge in a hand does.
func lively(t *testing.T, b *bench, value string) drivers.Sample {
	smp := sample(t, value)
	smp.Digits += int64(b.now.Mono/(50*time.Millisecond)) * 7 % 3
	return smp
}

func TestNothingIsTakenWhileTheSpindleTurns(t *testing.T) {
	set := testSettings()
	set.Capture.Mode = "settled"
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "part"})
	stream := func(value string, seconds float64) (events []event.Event) {
		for range int(seconds * 20) {
			b.wait(50 * time.Millisecond)
			events = append(events, b.keep(b.Sample(b.now, "G-11", []drivers.Sample{lively(t, b, value)}))...)
		}
		return events
	}
	stream("32.3000", 1)
	b.keep(b.SpindleState(b.now, true))
	if ev := stream("31.7460", 3); len(ev) != 0 {
		t.Errorf("a stable value was taken while the spindle turns: %+v", ev)
	}
	if l, ok := b.Live(); !ok || l.Hint.Code != "reading.spindle" {
		t.Errorf("the page does not say why: %+v", l)
	}
	if !b.bore().Spindle {
		t.Error("the state does not say that the spindle turns")
	}
	if r := b.do(event.Action{Do: "record"}); r.Done || r.Why.Code != "reading.spindle" {
		t.Errorf("taken by hand while the spindle turns: %+v", r)
	}
	stream("32.3000", 1)
	b.keep(b.SpindleState(b.now, false))
	stream("32.3000", 1)
	taken := 0
	for _, e := range stream("31.7460", 3) {
		if e.Kind == event.Taken {
			taken++
		}
	}
	if taken != 1 {
		t.Errorf("%d readings of one visit after the spindle stopped, want 1", taken)
	}
}

// A press of a foot switch begins the next round, with the time that the spindle turned where that is
// known. A second press begins no other, and the page says why.
func TestPedalBeginsARound(t *testing.T) {
	for _, turned := range []time.Duration{0, 12 * time.Second} {
		b := ready(t)
		b.send("31.7460")
		if turned > 0 {
			b.keep(b.SpindleState(b.now, true))
			b.wait(turned)
			b.keep(b.SpindleState(b.now, false))
		}
		press := func() event.Reply {
			events, r := b.ActBlind(b.now, event.Action{Do: "round", Source: "pedal"})
			b.keep(events)
			return r
		}
		if r := press(); !r.Done {
			t.Fatalf("the first press: %+v", r)
		}
		f := b.Fold()
		if f.Round() != 1 || f.Rounds[0].Seconds != turned.Seconds() || f.Rounds[0].Strokes != 0 || f.Rounds[0].Auto {
			t.Errorf("turned for %s: rounds %+v", turned, f.Rounds)
		}
		b.wait(200 * time.Millisecond)
		if r := press(); r.Done || b.Fold().Round() != 1 {
			t.Errorf("the second press: %+v, round %d", r, b.Fold().Round())
		}
		if l, ok := b.Live(); !ok || l.Hint.Code != "ask.round_empty" {
			t.Errorf("the page does not say why: %+v", l)
		}
		b.send("31.7470")
		if r := b.Fold().Readings; r[len(r)-1].Round != 1 || b.Fold().Round() != 1 {
			t.Errorf("the next reading is of round %d of %d", r[len(r)-1].Round, b.Fold().Round())
		}
	}
}

// The time that the spindle turned between two gaugings is the time of the round,
// which begins by itself.
func TestSpindleTimesTheRound(t *testing.T) {
	b := ready(t)
	b.send("31.7460")
	b.send("31.7460")
	b.keep(b.SpindleState(b.now, true))
	b.wait(15 * time.Second)
	b.keep(b.SpindleState(b.now, false))
	b.send("31.7470")
	f := b.Fold()
	if f.Round() != 1 || f.Rounds[0].Seconds != 15 || !f.Rounds[0].Auto {
		t.Errorf("rounds %+v, want one of 15 s", f.Rounds)
	}
	if r := f.Newest(); r.Round != 1 || r.Place.String() != "5 mm / 0°" {
		t.Errorf("the reading after honing is %s in round %d", r.Place, r.Round)
	}
}

func TestTwoValuesInFreeAirStrikeOut(t *testing.T) {
	set := testSettings()
	set.Capture.Twice = 2 * time.Second
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.master()
	b.send("31.7460")
	b.send("32.4000")
	if len(b.Fold().Voids) != 0 {
		t.Fatal("one value in free air struck a reading out")
	}
	b.send("32.4000")
	if b.Fold().Newest() != nil || len(b.Fold().Voids) != 1 {
		t.Errorf("two values in free air did not strike the reading out: %+v", b.Fold().Voids)
	}
	b.send("31.7461")
	b.send("32.4000")
	b.wait(5 * time.Second)
	b.send("32.4001")
	if len(b.Fold().Voids) != 1 {
		t.Error("two values far apart in time struck a reading out")
	}
}

// Both gestures can be switched off.
func TestGesturesSwitchedOff(t *testing.T) {
	for _, on := range []int{0, 1} {
		set := testSettings()
		set.Capture.Mode = "settled"
		set.Capture.Twice, set.Capture.Rest = time.Duration(on)*2*time.Second, time.Duration(on)*5*time.Second
		b := newBench(t, set)
		b.must(event.Action{Do: "job", Job: "J-4112"})
		b.must(event.Action{Do: "master"})
		stream := func(value string, seconds float64) {
			for range int(seconds * 20) {
				b.wait(50 * time.Millisecond)
				b.keep(b.Sample(b.now, "G-11", []drivers.Sample{lively(t, b, value)}))
			}
		}
		stream("32.4000", 1)
		for _, size := range []string{"31.7500", "31.7500", "31.7500", "31.7460", "31.7460"} {
			stream(size, 2)
			stream("32.4000", 1)
		}
		b.do(event.Action{Do: "record"})
		stream("32.4000", 0.1)
		b.do(event.Action{Do: "record"})
		for range 4 + on {
			stream("31.7460", 2)
			stream("32.4000", 1)
		}
		if b.Fold().Due() != nil {
			t.Fatalf("the plan is not complete: %s is due", b.Fold().Due())
		}
		stream("32.4000", 6)
		if f := b.Fold(); len(f.Voids) != on || f.Round() != on {
			t.Errorf("switched on %d: %d struck out, in round %d", on, len(f.Voids), f.Round())
		}
	}
}

func TestScannedTextIsJobRingOrSerial(t *testing.T) {
	b := newBench(t, testSettings())
	for text, want := range map[string]event.Kind{"J-4112": event.JobChosen} {
		if ev, r := b.Scanned(b.now, text); !r.Done || ev[0].Kind != want || ev[0].Source != "scanner" {
			t.Errorf("%s: %+v %+v", text, ev, r)
		}
	}
	if ev, r := b.Scanned(b.now, "SN-0042"); !r.Done || ev[0].Part.Serial != "SN-0042" {
		t.Errorf("a serial number: %+v %+v", ev, r)
	}
	if ev, r := b.Scanned(b.now, "R-1250"); !r.Done || ev[0].Kind != event.Mastering {
		t.Errorf("a ring: %+v %+v", ev, r)
	}
}

// The codes of the printed card do what a foot switch may do, also in capital letters. Whatever else
// begins like one is a serial number.
func TestScannedActions(t *testing.T) {
	for _, do := range event.Blind() {
		for _, text := range []string{event.ScanText(do), strings.ToUpper(event.ScanText(do))} {
			b := ready(t)
			if _, r := b.Scanned(b.now, text); r.Do != do {
				t.Errorf("%s: %+v", text, r)
			}
		}
	}
	b := ready(t)
	b.send("31.7460")
	if ev, r := b.Scanned(b.now, event.ScanText("round")); !r.Done || len(ev) == 0 || ev[0].Kind != event.RoundOver || ev[0].Source != "scanner" {
		t.Errorf("round: %+v %+v", ev, r)
	}
	for _, text := range []string{event.ScanText("accept"), event.ScanText("void"), event.ScanText("")} {
		if _, r := b.Scanned(b.now, text); r.Do != "part" {
			t.Errorf("%s: %+v", text, r)
		}
	}
}

// A reading that fits another section far better than the one due is questioned,
// and stays where it was taken.
func TestReadingAtTheWrongPlaceIsQuestioned(t *testing.T) {
	b := ready(t)
	for _, s := range []string{"31.7440", "31.7440", "31.7450", "31.7450", "31.7460", "31.7460"} { // 2 µm of taper
		b.send(s)
	}
	for i, s := range []string{"31.7450", "31.7450", "31.7460", "31.7460", "31.7470"} { // 1 µm off everywhere
		b.send(s)
		if q := b.last[len(b.last)-1].Reading.Ask; !q.IsZero() {
			t.Errorf("reading %d is questioned: %s", i, q)
		}
	}
	b.send("31.7450") // the front, where the back is due
	r := b.last[len(b.last)-1].Reading
	if r == nil || !strings.Contains(coded(r.Ask), " 5 mm") || r.Place.String() != "58 mm / 90°" {
		t.Errorf("a reading of the front at the back: %+v", r)
	}
}

func TestInstrumentsBesideTheGauge(t *testing.T) {
	set := testSettings()
	set.Beside = map[string]state.GaugeSettings{"Z-1": {Name: "Z-1", Unit: set.Gauge.Unit, Roles: map[string]event.Role{"": event.DepthChannel}}}
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.master()
	b.keep(b.Sample(b.now, "Z-1", []drivers.Sample{sample(t, "57.5")}))
	b.send("31.7460")
	if r := b.Fold().Newest(); r == nil || r.Place.String() != "58 mm / 0°" {
		t.Errorf("a reading with the depth scale at 57.5 mm: %+v", r)
	}
	b.keep(b.GaugeState(b.now, "Z-1", true, analysis.Say("port.gone", "/dev/ttyUSB0")))
	if g := b.bore(); g.State == event.CannotJudge && strings.HasPrefix(g.Why.Code, "bore.gauge_lost") {
		t.Errorf("a lost depth scale is told as a lost gauge: %s", g.Why)
	}
	if g, ok := b.Fold().Instrument("Z-1"); !ok || !g.Lost {
		t.Error("the loss of the depth scale is not known")
	}
}

func TestRestInFreeAirBeginsTheNextRound(t *testing.T) {
	set := testSettings()
	set.Capture.Mode, set.Capture.Rest = "settled", 5*time.Second
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	stream := func(value string, seconds float64) {
		for range int(seconds * 20) {
			b.wait(50 * time.Millisecond)
			b.keep(b.Sample(b.now, "G-11", []drivers.Sample{lively(t, b, value)}))
		}
	}
	b.must(event.Action{Do: "master"})
	stream("32.4000", 1)
	for range 3 {
		stream("31.7500", 2)
		stream("32.4000", 1)
	}
	if b.Fold().Master == nil {
		t.Fatal("not mastered by the gauge's motion alone")
	}
	stream("32.4000", 10)
	if b.Fold().Round() != 0 {
		t.Fatal("a round began before anything was gauged")
	}
	for range 6 {
		stream("31.7460", 2)
		stream("32.4000", 1)
	}
	if n := len(b.Fold().Readings); n != 6 || b.Fold().Round() != 0 {
		t.Fatalf("%d readings in round %d, want 6 in 0", n, b.Fold().Round())
	}
	stream("32.4000", 6)
	if b.Fold().Round() != 1 {
		t.Error("resting in free air after a complete plan began no round")
	}
	stream("32.4000", 30)
	if b.Fold().Round() != 1 {
		t.Errorf("resting on began round %d", b.Fold().Round())
	}
}
