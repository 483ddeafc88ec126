package session

import (
	"fmt"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// flooded plays n values at a rate per second, and counts what is recorded.
func (b *bench) flooded(n, rate int, text func(i int) string) (kinds map[event.Kind]int, told event.Flood) {
	b.t.Helper()
	kinds = map[event.Kind]int{}
	for i := range n {
		b.wait(time.Second / time.Duration(rate))
		for _, e := range b.keep(b.Sample(b.now, "G-11", shown([]byte(text(i))))) {
			if kinds[e.Kind]++; e.Kind == event.Flooded {
				told.Readings, told.Others, told.Rate = told.Readings+e.Flood.Readings, told.Others+e.Flood.Others, e.Flood.Rate
			}
		}
	}
	for _, e := range b.keep(b.TellDropped(b.now)) {
		kinds[e.Kind]++
		told.Readings, told.Others = told.Readings+e.Flood.Readings, told.Others+e.Flood.Others
	}
	return kinds, told
}

func reading(i int) string { return fmt.Sprintf("31.74%03d mm", i%1000) }

// A gauge that sends 20 values a millisecond fills neither the journal nor anybody's
// memory: a minute's worth of readings is recorded, the rest is counted and told, and the
// page says so until a minute after it is over.
func TestFloodOfReadingsIsCapped(t *testing.T) {
	set := testSettings()
	set.Capture.Bounce, set.Capture.MaxRate = time.Microsecond, 100
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "part", Part: "003"})
	b.master()
	const n = 40_000
	kinds, told := b.flooded(n, 20_000, reading) // two seconds
	if got := kinds[event.Taken]; got < 6000 || got > 6300 {
		t.Errorf("%d readings recorded, want a minute's worth of 100 a second", got)
	}
	if kinds[event.Taken]+told.Readings != n || told.Others != 0 || told.Rate != 100 {
		t.Errorf("recorded %d and told of %+v, of %d", kinds[event.Taken], told, n)
	}
	if kinds[event.Flooded] > 2 {
		t.Errorf("%d events about one flood of 2 s", kinds[event.Flooded])
	}
	warned := func() bool {
		for _, c := range b.bore().Cautions {
			if c.Code == "caution.flood" {
				return true
			}
		}
		return false
	}
	if !warned() {
		t.Error("the page does not say it")
	}
	again := New(b.set, records(b.all))
	if again.Fold().Flood == nil {
		t.Error("it is forgotten by a restart")
	}
	b.wait(time.Minute)
	if warned() {
		t.Error("the page says it a minute after it is over")
	}
	if kinds, told := b.flooded(200, 50, reading); kinds[event.Taken] != 200 || told.Readings > 0 {
		t.Errorf("at an honest rate afterwards: %v, %+v", kinds, told)
	}
}

// Values that are refused have a share of their own, and take no room from readings.
func TestFloodOfRefusalsLeavesRoomForReadings(t *testing.T) {
	set := testSettings()
	set.Capture.Bounce, set.Capture.MaxRate = time.Microsecond, 100
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "part", Part: "003"})
	b.master()
	kinds, told := b.flooded(40_000, 20_000, func(i int) string {
		if i%40 == 0 {
			return reading(i / 40)
		}
		return fmt.Sprintf("%d.5 mm", 40+i%7)
	})
	if kinds[event.Taken] != 1000 || told.Readings != 0 {
		t.Errorf("%d of 1000 readings recorded; told %+v", kinds[event.Taken], told)
	}
	if got := kinds[event.Refused]; got < 300 || got > 330 || got+told.Others != 39_000 {
		t.Errorf("%d refusals recorded, told %+v", got, told)
	}
}

// A scanner that types without end begins no end of parts, and a temperature that never
// rests is not recorded without end.
func TestFloodOfTheRest(t *testing.T) {
	set := testSettings()
	set.Capture.MaxRate = 100
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	n := len(b.all)
	for i := range 5000 {
		b.wait(time.Millisecond)
		events, r := b.Scanned(b.now, fmt.Sprintf("S-%d", i))
		if b.keep(events); !r.Done && r.Why.Code != "reading.flood" {
			t.Fatalf("refused: %s", r.Why)
		}
	}
	if got := len(b.all) - n; got > 350 {
		t.Errorf("%d events of 5000 scans in 5 s", got)
	}
	for i := range 5000 {
		b.wait(time.Millisecond)
		b.begin(b.now)
		b.sensed("part temperature", analysis.Temperature(20000+1000*(i%2)))
		b.keep(b.end())
	}
	if got := len(b.all) - n; got > 420 {
		t.Errorf("%d events of scans and temperatures", got)
	}
}
