package session

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/master"
	"fairbore/analysis/uncertainty"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// given is a capture that gives what a test tells it to, as one that is rocked does.
type given struct {
	capture.Capture
	in    bool
	out   []capture.Result
	learn analysis.Length // of free air
	want  struct {        // expected
		size analysis.Length
		u    analysis.Deviation
	}
	told int // how often
}

func (g *given) Feed(s capture.Sample) []capture.Result {
	for i := range g.out {
		g.out[i].Value = s.Value
	}
	return g.out
}
func (g *given) Progress() capture.Progress { return capture.Progress{In: g.in} }
func (g *given) Air() analysis.Length       { return g.learn }
func (g *given) Reset()                     {}
func (g *given) Expect(size analysis.Length, u analysis.Deviation) {
	g.want.size, g.want.u = size, u
	g.told++
}

// rocked are settings of a gauge that is rocked.
func rockedSettings() state.Settings {
	set := testSettings()
	set.Capture.Mode, set.Gauge.Tip = "turning", 2*analysis.Millimetre
	return set
}

// rock takes a value that was rocked with such a motion, after the gauge was out.
func (b *bench) rock(shown string, r capture.Result) {
	b.t.Helper()
	b.capture.c = &given{}
	b.send("32.3000")
	r.Kind, r.Passes, r.U = capture.Taken, 4, analysis.Deviation(um/10)
	b.capture.c = &given{out: []capture.Result{r}}
	b.send(shown)
}

func (b *bench) rockRing(motions ...float64) {
	b.t.Helper()
	b.must(event.Action{Do: "master", Of: len(motions)})
	for _, m := range motions {
		b.rock("31.7500", capture.Result{Motion: m})
	}
	if b.Fold().Running != nil {
		b.t.Fatal("the ring readings made no mastering")
	}
}

// readyToRock is a station with a job, its gauge mastered by rocking at those speeds.
func readyToRock(t *testing.T, set state.Settings, motions ...float64) *bench {
	t.Helper()
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "part", Part: "003"})
	b.rockRing(motions...)
	return b
}

func averagingLine(t *testing.T, b *uncertainty.Budget) *uncertainty.Component {
	t.Helper()
	if b == nil {
		t.Fatal("no budget")
	}
	for i := range b.Components {
		if b.Components[i].Name == uncertainty.ComponentAveraging {
			return &b.Components[i]
		}
	}
	return nil
}

func near(got analysis.Deviation, um float64) bool {
	return math.Abs(analysis.Length(got).Micrometres()-um) < 2e-4
}

// What nobody states of a gauge is a line of the budget: it goes with how differently ring
// and part were rocked; a statement makes it small, 0 ms takes it away, and a gauge with a
// button has none.
func TestAveragingInTheBudget(t *testing.T) {
	const most = 0.01 / 12 // s², of 100 ms
	for _, c := range []struct {
		name       string
		smoothing  event.Smoothing
		basis      uncertainty.Basis
		size, form float64 // µm for a motion of 1 µm/s²
	}{
		{"nothing stated", event.Smoothing{}, uncertainty.ByAssumption, most / math.Sqrt(3), most / math.Sqrt(3)},
		{"100 ms", event.Smoothing{Averages: 100 * time.Millisecond, Stated: true}, uncertainty.ByStatement, 0.2 * most / math.Sqrt(3), 0.2 * most / math.Sqrt(3)},
		{"0 ms", event.Smoothing{Stated: true}, "", 0, 0},
	} {
		set := rockedSettings()
		set.Gauge.Smoothing = c.smoothing
		b := readyToRock(t, set, 1400, 1500, 1600)
		if m := b.Fold().Master; !slices.Equal(m.Motions, []float64{1400, 1500, 1600}) || m.Square != master.Smoothing(c.smoothing).Square() {
			t.Errorf("%s: mastering %+v", c.name, m)
		}
		if o := b.capture.options; o.Averages != c.smoothing.Averages {
			t.Errorf("%s: the capture is told %s", c.name, o.Averages)
		}
		b.rock("31.7515", capture.Result{Motion: 1200})
		b.rock("31.7515", capture.Result{Motion: 2300})
		g := b.bore()
		size, form := averagingLine(t, g.Budget), averagingLine(t, g.FormBudget)
		if asks := slices.ContainsFunc(g.Cautions, func(p analysis.Phrase) bool { return p.Code == "caution.averaging" }); asks != (c.basis == uncertainty.ByAssumption) {
			t.Errorf("%s: cautions %q", c.name, g.Cautions)
		}
		if c.size == 0 {
			if size != nil || form != nil {
				t.Errorf("%s: %+v", c.name, size)
			}
			continue
		}
		if size == nil || size.Basis != c.basis || !near(size.Contribution, 800*c.size) || size.Distribution != uncertainty.Rectangular {
			t.Errorf("%s: %+v, want %.4f µm", c.name, size, 800*c.size)
		}
		if form == nil || !near(form.Contribution, 1100*c.form) {
			t.Errorf("%s: form %+v, want %.4f µm", c.name, form, 1100*c.form)
		}
	}
	b := gauged(t, testSettings(), "31.7513", "31.7513")
	if l := averagingLine(t, b.bore().Budget); l != nil {
		t.Errorf("with a button: %+v", l)
	}
}

// pass draws the sums of a reading of a gauge with that q, as the capture gives them with
// off taken off already.
func pass(rng *rand.Rand, q, off float64) capture.Result {
	spread := 4 * 300.0 * 300 / 0.09 // four passes, 300 µm/s² apart, sizes to 0.3 µm
	return capture.Result{Motion: 1500 + 200*rng.NormFloat64(), MotionSpread: spread, MotionSlope: spread*(q-off) + math.Sqrt(spread)*rng.NormFloat64()}
}

// The gauge's own readings narrow what is not known of it, and say so when it averages;
// all of it outlasts a restart.
func TestAveragingIsLearnedFromReadings(t *testing.T) {
	play := func(set state.Settings, averages time.Duration) *bench {
		rng := rand.New(rand.NewPCG(17, 2))
		b := readyToRock(t, set, 1500, 1500, 1500)
		q := master.Smoothing{Averages: averages}.Square()
		for range 200 {
			b.rock("31.7515", pass(rng, q, master.Smoothing(set.Gauge.Smoothing).Square()))
		}
		return b
	}
	caution := func(b *bench) string {
		for _, c := range b.bore().Cautions {
			if strings.HasPrefix(c.Code, "master.averages") {
				return coded(c)
			}
		}
		return ""
	}
	set := rockedSettings()
	sharp := play(set, 0)
	if c := caution(sharp); c != "" {
		t.Errorf("of a gauge that doesn't average: %q", c)
	}
	if l := averagingLine(t, sharp.bore().Budget); l == nil || l.Basis != uncertainty.ByAssumption {
		t.Errorf("before the next mastering: %+v", l)
	}
	sharp.rockRing(1500, 1500, 1500)
	sharp.rock("31.7515", capture.Result{Motion: 2000})
	l := averagingLine(t, sharp.bore().Budget)
	if most := (master.Smoothing{Averages: 100 * time.Millisecond}).Square(); l == nil || l.Basis != uncertainty.ByMeasurement || l.Standard > most/5 {
		t.Errorf("after it: %+v", l)
	}

	slow := play(set, 100*time.Millisecond)
	if c := caution(slow); !strings.HasPrefix(c, "⟦master.averages ") || !strings.Contains(c, " averages: 1") && !strings.Contains(c, " averages: 9") {
		t.Errorf("of a gauge that averages over 100 ms: %q", c)
	}
	set.Gauge.Smoothing = event.Smoothing{Averages: 100 * time.Millisecond, Stated: true}
	if c := caution(play(set, 100*time.Millisecond)); c != "" {
		t.Errorf("stated as it is: %q", c)
	}
	if c := caution(play(set, 0)); !strings.HasPrefix(c, "⟦master.averages_otherwise averages: 100 ms ") {
		t.Errorf("stated, and it does not average: %q", c)
	}

	var past []event.Record // as the journal gives it back
	for i := range sharp.all {
		text, err := sharp.all[i].AppendJSON(nil)
		if err != nil {
			t.Fatal(err)
		}
		var e event.Event
		if err := json.Unmarshal(text, &e); err != nil {
			t.Fatal(err)
		}
		past = append(past, event.Record{Journal: "J", Seq: uint64(i + 1), Event: e})
	}
	again := New(sharp.set, past)
	if again.fold.Averaging != sharp.Fold().Averaging || again.fold.AveragingOf != "G-11" {
		t.Errorf("after a restart %+v, was %+v", again.fold.Averaging, sharp.Fold().Averaging)
	}
	if m := averagingLine(t, again.fold.Bore(&sharp.set, sharp.now.Wall).Budget); m == nil || *m != *l {
		t.Errorf("after a restart %+v, was %+v", m, l)
	}
}

// What another gauge has shown is not believed of this one.
func TestAveragingBelongsToItsGauge(t *testing.T) {
	b := readyToRock(t, rockedSettings(), 1500, 1500, 1500)
	b.rock("31.7515", capture.Result{Motion: 1500, MotionSpread: 1e9, MotionSlope: 1e6})
	if b.Fold().Averages("G-11") == nil || b.Fold().Averages("G-12") != nil {
		t.Error("learned of the wrong gauge")
	}
	b.Fold().NoteRocking("G-12", 1e7, 0)
	if a := b.Fold().Averages("G-12"); a == nil || *a != (analysis.Averaging{Spread: 1e7, Readings: 1}) {
		t.Errorf("of the next: %+v", a)
	}
	r := capture.Result{Motion: math.NaN(), MotionSpread: 1}
	if got := rocking(&r, 0); got != (event.Rocking{}) {
		t.Errorf("no number gives %+v", got)
	}
}

// A zero that was set with another averaging taken off is none, by as much as that moves it.
func TestAnotherStatementLapsesTheZero(t *testing.T) {
	b := readyToRock(t, rockedSettings(), 1500, 1500, 1500)
	b.rock("31.7515", capture.Result{Motion: 1500})
	set := b.set
	set.Gauge.Smoothing = event.Smoothing{Averages: 100 * time.Millisecond, Stated: true}
	b.keep(b.Configure(b.now, set))
	if g := b.bore(); g.Master.OK || g.Master.Why.Code != "bore.averages_changed" {
		t.Errorf("%+v", g.Master)
	}
	set.Gauge.Smoothing = event.Smoothing{Stated: true}
	b.keep(b.Configure(b.now, set))
	if g := b.bore(); !g.Master.OK {
		t.Errorf("0 ms, which was taken off: %s", g.Master.Why)
	}
}

func TestRockSlowlyThenFast(t *testing.T) {
	b := newBench(t, testSettings())
	b.must(event.Action{Do: "job", Job: "J-4112"})
	if r := b.do(event.Action{Do: "speeds"}); r.Done || r.Why.Code != "action.speeds.not_rocked" {
		t.Errorf("with a button: %+v", r)
	}
	b = newBench(t, rockedSettings())
	b.must(event.Action{Do: "job", Job: "J-4112"})
	if r := b.do(event.Action{Do: "speeds", Ring: "R-9"}); r.Done || coded(r.Why) != "⟦action.name_ring_to_rock R-1250⟧" {
		t.Errorf("in no ring: %+v", r)
	}
	if r := b.do(event.Action{Do: "speeds", Of: 26}); r.Done {
		t.Error("26 readings of each speed")
	}
	check := func(slow, fast float64, values ...string) *event.SpeedCheck {
		t.Helper()
		b.must(event.Action{Do: "speeds"})
		for i, v := range values {
			m, want := slow, "⟦bore.rock_ring.slow R-1250 "
			if i >= 3 {
				m, want = fast, "⟦bore.rock_ring.fast R-1250 "
			}
			if g := b.bore(); coded(g.Why) != want+string(rune('1'+i%3))+" 3⟧" || g.State != event.NotMastered {
				t.Errorf("reading %d: %s", i, g.Why)
			}
			b.rock(v, capture.Result{Motion: m})
		}
		last := b.last[len(b.last)-1]
		if last.Kind != event.SpeedsChecked || last.Speeds == nil || b.Fold().Running != nil {
			t.Fatalf("%+v", last)
		}
		if l, _ := b.Live(); l.Hint.Code != last.Speeds.Sentence.Code {
			t.Errorf("the page is told %q", l.Hint)
		}
		return last.Speeds
	}
	// 100 ms make 2600 µm/s² × 0.1²/12 s² = 2.17 µm.
	s := check(400, 3000, "31.7500", "31.7500", "31.7501", "31.7522", "31.7521", "31.7522")
	if !s.Told || s.Good || coded(s.Sentence) != "⟦master.speeds.large 2.1 µm averages: 100 ms⟧" || s.Ring != "R-1250" || s.Gauge != "G-11" {
		t.Errorf("%+v", s)
	}
	if f := b.Fold(); f.Master != nil || f.Averaging.Spread < 1e7 {
		t.Errorf("the check set a zero, or taught nothing: %+v", f.Averaging)
	}
	if s := check(400, 3000, "31.7500", "31.7500", "31.7501", "31.7500", "31.7500", "31.7501"); !s.Told || !s.Good || s.Sentence.Code != "master.speeds.good" {
		t.Errorf("%+v", s)
	}
	if f := New(b.set, records(b.all)).Fold(); f.Averaging != b.Fold().Averaging || f.Running != nil {
		t.Errorf("after a restart: %+v", f.Averaging)
	}
}

// What free air shows is told to the capture on its own scale: as stated, above the ring
// that the gauge is set to; else as the capture before has learned it.
func TestFreeAirGoesOn(t *testing.T) {
	mm := lengthOf
	b := newBench(t, rockedSettings())
	b.must(event.Action{Do: "job", Job: "J-4112"})
	if a := b.capture.c.Air(); a != 0 {
		t.Errorf("known from nowhere: %s", a)
	}
	b.capture.c = &given{learn: mm("32.0000 mm")}
	b.must(event.Action{Do: "master"}) // a gauge of sizes: the scale is its own
	if a := b.capture.c.Air(); a != mm("32.0000 mm") {
		t.Errorf("on the ring: %s", a)
	}
	for range 3 {
		b.capture.c = &given{out: []capture.Result{{Kind: capture.Taken}}, learn: mm("32.0001 mm")}
		b.send("31.7500")
	}
	if a := b.capture.c.Air(); a != mm("31.9998 mm") { // the zero is −0.3 µm
		t.Errorf("of the part: %s", a)
	}
	b.must(event.Action{Do: "master"})
	for range 3 {
		b.capture.c = &given{out: []capture.Result{{Kind: capture.Taken}}, learn: mm("32.0000 mm")}
		b.send("31.7510")
	}
	if a := b.capture.c.Air(); a != mm("31.9990 mm") { // the zero went from −0.3 to −1.3 µm
		t.Errorf("after another mastering: %s", a)
	}
	b.must(event.Action{Do: "bumped"})
	if a := b.capture.c.Air(); a != 0 {
		t.Errorf("after a knock: %s", a)
	}

	set := rockedSettings()
	set.Gauge.FreeAir = mm("0.25 mm")
	b = newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	if a := b.capture.c.Air(); a != mm("31.9997 mm") {
		t.Errorf("stated, no zero yet: %s", a)
	}
	set.Gauge.Deviation = true
	b = newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "master"})
	if a := b.capture.c.Air(); a != mm("31.9997 mm") {
		t.Errorf("stated, of a gauge of deviations: %s", a)
	}
}

// Where ring and job have the same nominal size the capture is made anew all the same:
// their bands differ.
func TestCaptureIsMadeAnewForTheBand(t *testing.T) {
	set := rockedSettings()
	set.Rings["R-1250"].Size = set.Jobs["J-4112"].Nominal
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.must(event.Action{Do: "master"})
	if got := b.capture.options.Band; got != analysis.Deviation(gaugeTravel) {
		t.Errorf("on the ring: band %d", got)
	}
	for range 3 {
		b.rock("31.7500", capture.Result{})
	}
	if got := b.capture.options.Band; got != b.Fold().Job.Band {
		t.Errorf("of the part: band %d", got)
	}
	if _, real := b.capture.c.(*given); real || b.capture.c == nil {
		t.Error("the capture of the ring goes on")
	}
	b.must(event.Action{Do: "check"})
	for range 3 {
		b.rock("31.7500", capture.Result{})
	}
	if got := b.capture.options.Band; got != b.Fold().Job.Band || !b.capture.leave {
		t.Errorf("after a check: band %d, leave %v", got, b.capture.leave)
	}
}

// A check of the zero that is rocked faster than the mastering may be off by what the gauge
// may average, and no more is believed of it: at the same speed, or with a statement, the
// same error is a drift.
func TestCheckAtAnotherSpeed(t *testing.T) {
	for _, c := range []struct {
		motion float64
		stated bool
		limit  float64 // µm: a tenth of the tolerance is 0.254
		good   bool
	}{
		{1500, false, 0.254, false},
		{2500, false, math.Hypot(0.254, 2*1000*0.01/12/math.Sqrt(3)), true},
		{2500, true, 0.254, false},
	} {
		set := rockedSettings()
		set.Gauge.Smoothing.Stated = c.stated
		b := readyToRock(t, set, 1500, 1500, 1500)
		b.must(event.Action{Do: "check"})
		for range 3 {
			b.rock("31.7506", capture.Result{Motion: c.motion}) // 0.6 µm
		}
		k := b.last[len(b.last)-1].Check
		if k == nil || !k.Valid || k.Good != c.good || !near(k.Limit, c.limit) {
			t.Errorf("%+v: %+v", c, k)
		}
	}
}
