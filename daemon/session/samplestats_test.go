package session

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
	"fairbore/drivers"
)

// resting plays a gauge that comes to rest in ring and part, whose samples scatter by
// noise µm in steps of 0.1, through a mastering and a reading.
func resting(t *testing.T, set state.Settings, noise float64) *bench {
	rng := rand.New(rand.NewPCG(17, 11))
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "part"})
	stream := func(um float64, seconds float64) {
		for range int(20 * seconds) {
			b.wait(50 * time.Millisecond)
			b.keep(b.Sample(b.now, "G-11", []drivers.Sample{sample(t, fmt.Sprintf("%.4f", (um+noise*rng.NormFloat64())/1000))}))
		}
	}
	stream(32300, 3)
	b.must(event.Action{Do: "master"})
	for range 3 {
		stream(31749.7, 4)
		stream(32300, 2)
	}
	stream(31751.5, 4)
	stream(32300, 2)
	if len(taken(b.all)) != 1 {
		t.Fatalf("%d readings", len(taken(b.all)))
	}
	return b
}

func settledSettings(assumed bool) state.Settings {
	set := testSettings()
	set.Capture.Mode = "settled"
	set.Gauge.Assumed, set.Gauge.Repeatability = assumed, analysis.Deviation(um/5)
	return set
}

// The noise that a gauge shows at rest stands in the mastering; it is told to the capture
// where nothing is stated, and the budget says how it knows.
func TestNoiseIsMeasured(t *testing.T) {
	for _, c := range []struct {
		assumed bool
		basis   uncertainty.Basis
	}{{true, uncertainty.ByAssumption}, {false, uncertainty.ByStatement}} {
		b := resting(t, settledSettings(c.assumed), 0.1)
		n := b.Fold().Master.Noise
		if n == nil || n.Samples < 20 || math.Abs(analysis.Length(n.SD).Micrometres()/0.1-1) > 0.25 {
			t.Fatalf("noise %+v, is 0.1 µm", n)
		}
		want := b.set.Gauge.Repeatability
		if c.assumed {
			want = n.SD
		}
		if got := b.capture.options.Repeatability; got != want {
			t.Errorf("assumed %v: the capture has %d, want %d", c.assumed, got, want)
		}
		for _, l := range b.bore().Budget.Components {
			if l.Name == uncertainty.ComponentRepeat && (l.Basis != c.basis || l.Standard != 0.2) {
				t.Errorf("%+v", l)
			}
		}
		if again := New(b.set, records(b.all)); again.capture.options.Repeatability != want {
			t.Errorf("after a restart the capture has %d", again.capture.options.Repeatability)
		}
	}
}

// Readings whose samples leave more than the usual repeatability and the step count with that.
func TestRepeatabilityIsNoLessThanWhatTheSamplesLeave(t *testing.T) {
	b := gauged(t, testSettings(), "31.7513")
	b.set.Gauge.Assumed, b.set.Gauge.Step = true, 1000
	for _, c := range []struct {
		left  analysis.Deviation
		want  analysis.Deviation
		basis uncertainty.Basis
	}{{0, 1000, uncertainty.ByAssumption}, {999, 1000, uncertainty.ByAssumption}, {1041, 1000, uncertainty.ByAssumption}, {4000, 4000, uncertainty.ByMeasurement}} {
		b.Fold().Master.CaptureU = c.left
		if sd, basis := b.Fold().Repeatability(&b.set.Gauge); sd != c.want || basis != c.basis {
			t.Errorf("samples leave %d: %d, %s", c.left, sd, basis)
		}
	}
	b.set.Gauge.Assumed = false
	if sd, basis := b.Fold().Repeatability(&b.set.Gauge); sd != 1000 || basis != uncertainty.ByStatement {
		t.Errorf("stated: %d, %s", sd, basis)
	}
}

// The same samples give the same events, byte for byte, noise included.
func TestNoiseReplays(t *testing.T) {
	text := func() (out []byte) {
		for _, e := range resting(t, settledSettings(true), 0.1).all {
			var err error
			if out, err = e.AppendJSON(out); err != nil {
				t.Fatal(err)
			}
		}
		return out
	}
	if a, b := text(), text(); !bytes.Equal(a, b) || !bytes.Contains(a, []byte(`"noise":{"sd_um":0.`)) {
		t.Errorf("%s\n%s", a, b)
	}
}

// A three-point or air gauge is believed on the ring only: in free air it may show anything.
func TestNoiseInFreeAir(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 12))
	var a sampleStats
	for i := range 100 {
		a.air.Feed(time.Duration(i)*50*time.Millisecond, analysis.Length(3000*rng.NormFloat64()))
	}
	if a.noise(&state.GaugeSettings{}) == nil || a.noise(&state.GaugeSettings{ThreePoint: true}) != nil {
		t.Error("free air is believed of the wrong gauge")
	}
}

// How inputs are known is in the budget, and what is assumed and matters is named.
func TestBudgetSaysWhatIsAssumed(t *testing.T) {
	set := testSettings()
	set.Doubt = state.Doubt{Drift: analysis.Deviation(3 * um / 10), Contact: analysis.Deviation(um / 20), RingWithin: 2 * analysis.Celsius, PartWithin: analysis.Celsius}
	set.Bases = map[string]uncertainty.Basis{uncertainty.ComponentDrift: uncertainty.ByAssumption, uncertainty.ComponentContact: uncertainty.ByAssumption}
	b := gauged(t, set, "31.7513")
	known := map[string]uncertainty.Basis{}
	for _, l := range b.bore().Budget.Components {
		known[l.Name] = l.Basis
	}
	for line, want := range map[string]uncertainty.Basis{
		uncertainty.ComponentRing: uncertainty.ByStatement, uncertainty.ComponentRepeat: uncertainty.ByStatement, uncertainty.ComponentDrift: uncertainty.ByAssumption, uncertainty.ComponentApart: uncertainty.ByStatement,
	} {
		if known[line] != want {
			t.Errorf("%s is %s, want %s", line, known[line], want)
		}
	}
	lines := func() (names []string) {
		for _, a := range b.bore().Assumes {
			names = append(names, a.Line)
			if said := coded(a.Says) + coded(a.Settle); !strings.Contains(said, "assume.settle."+a.Line) {
				t.Errorf("%s: %s", a.Line, said)
			}
		}
		return names
	}
	if got := lines(); !slices.Equal(got, []string{uncertainty.ComponentDrift}) { // the contact is a small part
		t.Errorf("assumed: %q", got)
	}
	b.set.Gauge.Assumed, b.set.Gauge.Repeatability = true, analysis.Deviation(um/5)
	if got := lines(); !slices.Equal(got, []string{uncertainty.ComponentRepeat, uncertainty.ComponentDrift}) {
		t.Errorf("assumed: %q", got)
	}
	b.set.Gauge.Assumed, b.set.Gauge.Repeatability = false, analysis.Deviation(um/10)
	if len(set.Bases) != 2 {
		t.Errorf("the settings were changed: %v", set.Bases)
	}
	cool := 20 * analysis.Celsius
	b.must(event.Action{Do: "temperature", Warmth: event.Warmth{Ring: &cool, Part: &cool}})
	b.master()
	b.send("31.7513")
	for _, l := range b.bore().Budget.Components {
		if l.Name == uncertainty.ComponentApart && l.Basis != uncertainty.ByMeasurement {
			t.Errorf("with a thermometer: %+v", l)
		}
	}
}

// Values that an adapter hands over in steps are said, while nothing else is to be.
func TestStepsOfTimeAreSaid(t *testing.T) {
	for _, step := range []time.Duration{0, 16 * time.Millisecond} {
		set := settledSettings(false)
		b := newBench(t, set)
		b.must(event.Action{Do: "job", Job: "J-4112"})
		start := b.now
		for i := range 100 {
			at := time.Duration(i) * 50 * time.Millisecond
			if step > 0 {
				at = at / step * step
			}
			b.now = drivers.Moment{Wall: start.Wall.Add(at), Mono: start.Mono + at}
			b.keep(b.Sample(b.now, "G-11", []drivers.Sample{lively(t, b, "32.3000")}))
		}
		if l, _ := b.Live(); (coded(l.Hint) == "⟦hint.adapter 16⟧") != (step > 0) {
			t.Errorf("in steps of %s: %q", step, l.Hint)
		}
		b.GaugeState(b.now, "G-11", true, analysis.Say("port.gone", "/dev/ttyUSB0"))
		if !b.samples.timingHint().IsZero() {
			t.Error("another cable has the steps of the last")
		}
	}
}
