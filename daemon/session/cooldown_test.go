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
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
	"fairbore/daemon/event"
	"fairbore/daemon/state"
)

// warmPart is a part of the sleeve's job that cools to its surroundings: an exact
// exponential, gauged by a gauge with normal noise and digits of 0.01 µm.
type warmPart struct {
	*bench
	r      *rand.Rand
	final  float64 // µm above 31.75 mm, in its surroundings
	excess float64 // µm, at start
	tau    float64 // s
	noise  float64 // µm
	start  time.Duration
}

// newWarmPart is a sleeve of aluminium, which cools in minutes, with a gauge that repeats
// to 0.1 µm. The gauge shows 0.3 µm more than a size is, as [bench.master] has it.
func newWarmPart(t testing.TB, set state.Settings, seed uint64, final float64) *warmPart {
	set.Jobs["J-4112"].Material = "aluminium"
	set.Jobs["J-4112"].Outside = lengthOf("37 mm") // some 4 min in still air
	b := newBench(t, set)
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.master()
	return &warmPart{bench: b, r: rand.New(rand.NewPCG(seed, 1)), final: final, excess: 8, tau: 200, noise: 0.1, start: b.now.Mono}
}

// gauge takes a reading now; off is what it is wrong by, in µm.
func (w *warmPart) gauge(off float64) *event.Reading {
	w.wait(time.Second) // send waits as long before it sends
	age := (w.now.Mono - w.start).Seconds()
	w.now.Wall, w.now.Mono = w.now.Wall.Add(-time.Second), w.now.Mono-time.Second
	v := 0.3 + w.final + w.excess*math.Exp(-age/w.tau) + w.noise*w.r.NormFloat64() + off
	w.send((lengthOf("31.75 mm") + analysis.Length(math.Round(v*100)*100)).Format(analysis.MM, 5))
	return w.Fold().Newest()
}

// watch stays at the place due, gauging every half minute, until the cooling tells how
// warm the part is, and takes it.
func (w *warmPart) watch() {
	w.t.Helper()
	w.must(event.Action{Do: "repeat"})
	for range 40 {
		w.wait(30 * time.Second)
		w.gauge(0)
		if w.do(event.Action{Do: "cooldown"}).Done {
			return
		}
	}
	w.t.Fatalf("never told: %s", w.do(event.Action{Do: "cooldown"}).Why)
}

// rest gauges what is still due of the plan.
func (w *warmPart) rest() (taken []*event.Reading) {
	for w.Fold().Due() != nil && len(taken) < 20 {
		w.wait(5 * time.Second)
		taken = append(taken, w.gauge(0))
	}
	return taken
}

// The size of a part that is corrected by how it cools is the size in its surroundings:
// divided by what is stated of reading and excess, the error has a standard deviation of
// 0.8 to 1.2, and it is within U of the whole budget.
func TestCoolDownGivesTheFinalSize(t *testing.T) {
	const runs = 150
	var sum, squares, within, n float64
	for seed := range uint64(runs) {
		w := newWarmPart(t, testSettings(), seed, 1.2)
		w.watch()
		all := w.rest()
		r := all[int(seed)%len(all)] // those of one part have their error in common
		off := (r.Size - lengthOf("31.75 mm")).Micrometres() - 1.2
		// Of the zero there is no doubt here: the ring was read without noise.
		stated := math.Hypot(math.Hypot(0.1, 0.01/math.Sqrt(12)), analysis.Length(r.ExcessU).Micrometres())
		sum, squares, n = sum+off/stated, squares+off*off/stated/stated, n+1
		b := w.bore()
		if math.Abs(off) <= analysis.Length(b.U.Expanded).Micrometres() {
			within++
		}
		if seed > 0 {
			continue
		}
		if r.PartFrom != event.ByCooling || r.Thermal >= 0 || r.Size != r.Raw+analysis.Length(r.Zero+r.Thermal+r.Indentation) {
			t.Errorf("reading %+v", r)
		}
		if b.Cool == nil || b.WarmFrom != event.ByCooling || !strings.HasPrefix(b.Cool.Sentence.Code, "master.excess.still") {
			t.Errorf("the state does not say where the temperature is from: %+v", b.Cool)
		}
		if l := line(b.Budget, uncertainty.ComponentCooling); l == nil || l.Contribution <= 0 {
			t.Errorf("no line in the budget: %+v", b.Budget)
		}
	}
	sd := math.Sqrt(squares / n)
	t.Logf("mean %.2f, standard deviation %.2f, within U %.3f", sum/n, sd, within/n)
	if sd < 0.8 || sd > 1.2 {
		t.Errorf("the normalised error has a standard deviation of %.2f", sd)
	}
	if within/n < 0.95 {
		t.Errorf("within U in %.3f of the runs", within/n)
	}
}

func line(b *uncertainty.Budget, name string) *uncertainty.Component {
	if i := slices.IndexFunc(b.Components, func(l uncertainty.Component) bool { return l.Name == name }); i >= 0 {
		return &b.Components[i]
	}
	return nil
}

// With the ring's temperature known the size is that at 20 °C: of a part in a shop of
// 23 °C that is set on a ring of the same, the difference of the expansions of 31.75 mm of
// aluminium and of steel: 3 K × (23.6 − 11.5) × 10⁻⁶/K = 1.15 µm besides the excess.
func TestCoolDownAndSurroundings(t *testing.T) {
	set := testSettings()
	w := newWarmPart(t, set, 1, 1.2)
	shop := 23 * analysis.Celsius
	w.must(event.Action{Do: "temperature", Warmth: event.Warmth{Ring: &shop}})
	w.master()
	w.start = w.now.Mono
	w.watch()
	if c := w.Fold().Cool; c.Surroundings == nil || *c.Surroundings != shop || c.Warmer <= 0 {
		t.Fatalf("surroundings %+v", c)
	}
	r := w.rest()[0]
	left, _ := w.Fold().Cool.Excess.Later(r.At.Sub(w.Fold().Cool.At))
	if got := analysis.Length(-r.Thermal - left).Micrometres(); math.Abs(got-1.153) > 0.002 {
		t.Errorf("%.4f µm for the surroundings, want 1.153", got)
	}
}

// What cannot be told is not used, and nothing of the verdict changes by asking for it.
func TestDoubtfulCoolDownIsRefused(t *testing.T) {
	for name, c := range map[string]struct {
		set  func(*warmPart)
		says string
	}{
		"nothing gauged": {func(w *warmPart) { w.must(event.Action{Do: "part"}) }, "⟦master.excess.few 0 8⟧"},
		"too few":        {func(w *warmPart) { w.repeat(5, 30*time.Second) }, "⟦master.excess.few 5 8⟧"},
		"too early":      {func(w *warmPart) { w.repeat(9, 15*time.Second) }, "⟦master.excess.not_yet ⟦master.cooling.short "},
		"growing":        {func(w *warmPart) { w.excess = -8; w.repeat(16, 30*time.Second) }, "⟦master.excess.not_yet ⟦master.cooling.growing⟧⟧"},
		"settled":        {func(w *warmPart) { w.excess = 0; w.repeat(16, 30*time.Second) }, ""},
		"noisy":          {func(w *warmPart) { w.noise = 1; w.repeat(16, 30*time.Second) }, ""},
		"measured": {func(w *warmPart) {
			at := 24 * analysis.Celsius
			w.must(event.Action{Do: "temperature", Warmth: event.Warmth{Part: &at}})
			w.repeat(16, 30*time.Second)
		}, "⟦action.cooldown.measured 24 °C⟧"},
		"several places": {func(w *warmPart) {
			for range 12 {
				w.wait(30 * time.Second)
				w.gauge(0)
			}
		}, "⟦master.excess.few 1 8⟧"},
		"clock set": {func(w *warmPart) {
			w.repeat(10, 30*time.Second)
			w.now.Wall = w.now.Wall.Add(time.Minute)
			w.repeat(6, 30*time.Second)
		}, "⟦master.excess.few 6 8⟧"},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWarmPart(t, testSettings(), 5, 1.2)
			c.set(w)
			before := w.bore()
			r := w.do(event.Action{Do: "cooldown"})
			if r.Done || !strings.HasPrefix(coded(r.Why), c.says) || len(w.last) != 0 {
				t.Fatalf("%+v", r)
			}
			if after := w.bore(); after.State != before.State || after.Cool != nil || w.Fold().TakenWarm != nil {
				t.Errorf("%s after %s", after.State, before.State)
			}
		})
	}
}

func (w *warmPart) repeat(n int, apart time.Duration) {
	w.t.Helper()
	if !w.Fold().Staying {
		w.must(event.Action{Do: "repeat"})
	}
	for range n {
		w.wait(apart)
		w.gauge(0)
	}
}

// A part that is in size only while it is warm is not, once the cooling is taken off; the
// readings before do not count, and the place that was watched comes last. With a U that
// is no smaller than without, and not accepted before that place came out as it must.
func TestCoolDownJudgesWhatItWillBe(t *testing.T) {
	set := guarded(verdict.Simple)
	cold := newWarmPart(t, set, 3, -1)
	cold.excess = 0
	for range 6 {
		cold.gauge(0)
	}
	without := cold.bore()

	w := newWarmPart(t, guarded(verdict.Simple), 3, -1)
	w.watch()
	watched := w.Fold().Cool.Place
	if b := w.bore(); b.Sizes != nil || b.State != event.CannotJudge || b.Places[0].State != "stale" || *b.Next == watched {
		t.Fatalf("right after: %s, next %s", b.State, b.Next)
	}
	taken := w.rest()
	if len(taken) != 6 || taken[5].Place != watched {
		t.Fatalf("%d taken, the last at %s, watched %s", len(taken), taken[len(taken)-1].Place, watched)
	}
	b := w.bore()
	if b.State != event.StockToGo || b.ToLow < analysis.Deviation(5*um/10) {
		t.Errorf("1 µm under the low limit when cool: %s, %d to go", b.State, b.ToLow)
	}
	if b.U.Expanded < without.U.Expanded {
		t.Errorf("U %d is less than without, %d", b.U.Expanded, without.U.Expanded)
	}
	if b.Shrinking() {
		t.Error("said to be still shrinking, though that is taken off")
	}
}

func TestCoolDownIsClosedBeforeAccepting(t *testing.T) {
	set := guarded(verdict.Simple)
	set.Master.Lapse.Fresh, set.Master.Lapse.FreshReadings = 0, 0
	w := newWarmPart(t, set, 4, 1.3)
	w.watch()
	watched := w.Fold().Cool.Place
	w.must(event.Action{Do: "position", Place: &watched})
	w.gauge(0)
	w.rest()
	if r := w.do(event.Action{Do: "accept"}); r.Done || coded(r.Why) != "⟦action.accept.not_yet 0001 ⟦bore.close_cooling 5 mm / 0°⟧⟧" {
		t.Fatalf("accepted before the place was gauged last: %+v, %s", r, w.bore().Why)
	}
	w.must(event.Action{Do: "position", Place: &watched})
	w.gauge(0)
	w.must(event.Action{Do: "accept"})
}

// A part that was held, or laid elsewhere, does not come out where the cooling led: what was
// corrected by it does not count.
func TestCoolDownThatProvesWrong(t *testing.T) {
	w := newWarmPart(t, testSettings(), 6, 1.2)
	w.watch()
	watched := w.Fold().Cool.Place
	w.excess *= 4 // warmed by the hand
	for range 6 {
		w.wait(5 * time.Second)
		w.gauge(0)
	}
	f := w.Fold()
	e := w.last[len(w.last)-1]
	if e.Cool == nil || !e.Cool.Ended || !e.Cool.Wrong || e.Cool.Place != watched || e.Cool.Why.Code != "cooldown.off" {
		t.Errorf("the last event is %+v", e)
	}
	if f.Cool != nil || len(f.Current(0)) != 0 {
		t.Errorf("still used, %d readings count", len(f.Current(0)))
	}
	for _, r := range f.Readings {
		if r.PartFrom == event.ByCooling && f.Counts(r) {
			t.Errorf("reading %d, corrected by it, counts", r.No)
		}
	}
}

// What ends the use of the cooling, without an event of its own.
func TestCoolDownEnds(t *testing.T) {
	at := 24 * analysis.Celsius
	for name, do := range map[string]func(*warmPart){
		"round":  func(w *warmPart) { w.gauge(0); w.must(event.Action{Do: "round"}) },
		"part":   func(w *warmPart) { w.must(event.Action{Do: "part", Confirm: true}) },
		"warm":   func(w *warmPart) { w.must(event.Action{Do: "temperature", Warmth: event.Warmth{Part: &at}}) },
		"master": func(w *warmPart) { w.master() },
		"check": func(w *warmPart) {
			w.must(event.Action{Do: "check"})
			for range 3 {
				w.send("31.7510")
			}
		},
		"clock": func(w *warmPart) { w.now.Wall = w.now.Wall.Add(time.Hour); w.gauge(0) },
		"void":  func(w *warmPart) { w.must(event.Action{Do: "void", Reading: w.Fold().Cool.First, Reason: "dirt"}) },
		"off":   func(w *warmPart) { w.must(event.Action{Do: "cooldown", Off: true}) },
	} {
		t.Run(name, func(t *testing.T) {
			w := newWarmPart(t, testSettings(), 7, 1.2)
			w.watch()
			do(w)
			if w.Fold().Cool != nil || w.bore().Cool != nil {
				t.Fatal("still used")
			}
			if r := w.gauge(0); r.PartFrom == event.ByCooling {
				t.Errorf("a reading is corrected by it: %+v", r)
			}
			if r := w.do(event.Action{Do: "cooldown", Off: true}); r.Done {
				t.Error("ended once more")
			}
		})
	}
}

// The journal gives the state back byte for byte, at each event.
func TestCoolDownIsReplayed(t *testing.T) {
	w := newWarmPart(t, testSettings(), 8, 1.2)
	w.watch()
	w.rest()
	var f state.Fold
	for i := range w.all {
		text, err := w.all[i].AppendJSON(nil)
		if err != nil {
			t.Fatal(err)
		}
		var e event.Event
		if err := json.Unmarshal(text, &e); err != nil {
			t.Fatal(err)
		}
		if again, err := e.AppendJSON(nil); err != nil || string(again) != string(text) {
			t.Fatalf("event %d is written again as\n%s\nwas\n%s", i, again, text)
		}
		f.Apply(&e)
	}
	got, err := json.Marshal(f.Bore(&w.set, w.now.Wall))
	if err != nil {
		t.Fatal(err)
	}
	if want, _ := json.Marshal(w.Fold().Bore(&w.set, w.now.Wall)); string(got) != string(want) {
		t.Errorf("folded\n%s\nwant\n%s", got, want)
	}
}

// A temperature says whether a sensor or a person gave it.
func TestTemperatureSaysItsSource(t *testing.T) {
	b := newBench(t, testSettings())
	b.must(event.Action{Do: "job", Job: "J-4112"})
	b.Fold().Job.Material = "aluminium"
	twenty, warm := 20*analysis.Celsius, 22*analysis.Celsius
	b.must(event.Action{Do: "temperature", Warmth: event.Warmth{Ring: &twenty}})
	b.master()
	b.must(event.Action{Do: "temperature", Warmth: event.Warmth{Part: &warm}})
	b.send("31.7600")
	b.set.Gauge.Roles = map[string]event.Role{"T": event.PartTemp}
	b.send("T 23.5 Cel")
	b.send("31.7600")
	if r := b.Fold().Readings; r[0].PartFrom != event.ByEntry || r[1].PartFrom != event.BySensor || r[1].Thermal >= r[0].Thermal {
		t.Errorf("%+v\n%+v", r[0], r[1])
	}
	if b.bore().WarmFrom != event.BySensor {
		t.Errorf("the state says %q", b.bore().WarmFrom)
	}
}
