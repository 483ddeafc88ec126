package master

import (
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
)

const micron = analysis.Deviation(analysis.Micrometre)

const finalSize = analysis.Length(444_500_000)

// cooling simulates repeated sizes: final + a exp(−t/τ) + noise, quantised to
// 0.1 µm, at times that aren't quite even.
func cooling(r *rand.Rand, a, tau, s, step float64, n int) []WarmReading {
	ws := make([]WarmReading, n)
	for i := range ws {
		t := step * (float64(i) + 0.2*r.Float64())
		v := a*math.Exp(-t/tau) + s*r.NormFloat64()
		ws[i] = WarmReading{At: seconds(t), Size: finalSize + analysis.Length(math.Round(v*10)*1000)}
	}
	return ws
}

// TestSettle_Coverage checks that the stated 95 % interval holds the true
// final size, that refusals of sound data are few, and that a part is not
// called settled that isn't. The time constant is known to within a factor of
// 2.5 only. Seeded; the limits leave four standard deviations of the count.
func TestSettle_Coverage(t *testing.T) {
	const runs = 600
	for _, c := range []struct {
		name           string
		a, tau, s      float64 // µm, s, µm
		step           float64 // s
		n              int
		usable, settle float64 // least share of runs
	}{
		{"aluminium tube, 6 min", 8, 182, 0.2, 30, 12, 0, 0},
		{"aluminium tube, 12 min", 8, 182, 0.2, 30, 24, 0.98, 0},
		{"aluminium tube, 18 min", 8, 182, 0.2, 30, 36, 0.98, 0.85},
		{"bronze bush, 24 min", 3, 418, 0.15, 60, 24, 0.97, 0.3},
		{"cool already", 0.3, 182, 0.15, 30, 20, 0.7, 0.5},
		{"bush in moving oil", 5, 13, 0.15, 5, 10, 0.7, 0},
		{"sleeve in air, too early", 1, 1922, 0.15, 120, 20, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(20, 1))
			var fitted, covered, usable, ready, false_ int
			for range runs {
				guess := c.tau * math.Pow(2.5, 2*r.Float64()-1)
				ws := cooling(r, c.a, c.tau, c.s, c.step, c.n)
				k := FitCooling(ws, UsualCooling(analysis.Deviation(c.s*1e4), seconds(guess)))
				if k.Final != 0 {
					fitted++
					if k.Low <= finalSize && k.High >= finalSize {
						covered++
					}
				}
				if k.Usable {
					usable++
				}
				if k.Ready {
					ready++
					if c.a*math.Exp(-ws[c.n-1].At.Seconds()/c.tau) > 0.3 {
						false_++
					}
				}
			}
			share := func(n int) float64 { return float64(n) / runs }
			t.Logf("fitted %.3f, covered %.3f of them, usable %.3f, settled %.3f, wrongly %.3f", share(fitted), float64(covered)/float64(fitted), share(usable), share(ready), share(false_))
			if cover := float64(covered) / float64(fitted); cover < 0.95-4*math.Sqrt(0.95*0.05/float64(fitted)) {
				t.Errorf("the 95 %% interval holds the final size in %.3f of %d", cover, fitted)
			}
			if share(usable) < c.usable || share(ready) < c.settle || share(false_) > 0.03 {
				t.Errorf("usable %.3f, settled %.3f, wrongly %.3f", share(usable), share(ready), share(false_))
			}
		})
	}
}

// Without noise the fit finds what was put in, and the wait is what the
// exponential says.
func TestSettle_Exact(t *testing.T) {
	var ws []WarmReading
	for i := range 20 {
		at := time.Duration(i) * 30 * time.Second
		ws = append(ws, WarmReading{at, finalSize + length(8*math.Exp(-at.Seconds()/200))})
	}
	k := FitCooling(ws, UsualCooling(micron/20, 180*time.Second))
	left := 8 * math.Exp(-570.0/200)
	if (k.Final-finalSize).Abs() > 50 || math.Abs(k.Tau.Seconds()-200) > 3 {
		t.Errorf("final %s with %s, want %s with 200 s", k.Final, k.Tau, finalSize)
	}
	if got := analysis.Length(k.Remaining).Micrometres(); math.Abs(got-left) > 0.005 || k.Most < k.Remaining {
		t.Errorf("still to come %.4f µm, at most %d; want %.4f", got, k.Most, left)
	}
	if want := 200 * math.Log(left/0.1); math.Abs(k.Wait.Seconds()-want) > 10 {
		t.Errorf("wait %s, want %.0f s", k.Wait, want)
	}
	if want := -60 * left / 200; math.Abs(analysis.Length(k.Rate).Micrometres()-want) > 0.005 {
		t.Errorf("rate %d, want %.3f µm a minute", k.Rate, want)
	}
	if !k.Usable || k.Ready || !strings.HasPrefix(coded(k.Sentence), "⟦master.cooling.wait 6 min ") {
		t.Errorf("%+v", k)
	}
}

func TestSettle_Refuses(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	rules := UsualCooling(15*micron/100, 182*time.Second)
	good := func() []WarmReading { return cooling(r, 8, 182, 0.15, 30, 24) }
	for name, c := range map[string]struct {
		points []WarmReading
		rules  CoolingRules
		says   string
	}{
		"nothing":          {nil, rules, "⟦master.cooling.few 0 5⟧"},
		"too few":          {good()[:4], rules, "⟦master.cooling.few 4 5⟧"},
		"too short":        {cooling(r, 8, 182, 0.15, 3, 20), rules, "⟦master.cooling.short "},
		"growing":          {cooling(r, -8, 182, 0.15, 30, 24), rules, "⟦master.cooling.growing⟧"},
		"elsewhere gauged": {func() []WarmReading { w := good(); w[12].Size += 50_000; return w }(), rules, "⟦master.cooling.poor⟧"},
		"order":            {func() []WarmReading { w := good(); w[3].At = w[2].At; return w }(), rules, "⟦master.cooling.order⟧"},
		"no size":          {func() []WarmReading { w := good(); w[3].Size = 0; return w }(), rules, "⟦master.cooling.no_size⟧"},
		"no repeat":        {good(), CoolingRules{Shortest: 1, Longest: 2}, "⟦master.cooling.no_rules⟧"},
		"no bounds":        {good(), CoolingRules{Repeat: 1}, "⟦master.cooling.no_rules⟧"},
	} {
		k := FitCooling(c.points, c.rules)
		if k.Usable || k.Ready || k.Final != 0 || !strings.HasPrefix(coded(k.Sentence), c.says) {
			t.Errorf("%s: %+v", name, k)
		}
	}
}

// A part that has settled is called so, with the two readings 2 min apart.
func TestSettle_Ready(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	ws := cooling(r, 8, 182, 0.1, 30, 44)
	rules := UsualCooling(micron/10, 182*time.Second)
	if k := FitCooling(ws, rules); !k.Ready || k.Sentence.Code != "master.cooling.settled" {
		t.Errorf("after 22 min: %+v", k)
	}
	rules.Agree = 1
	ws[43].Size += 1000
	if k := FitCooling(ws, rules); k.Ready || !k.Usable || coded(k.Sentence) != "⟦master.cooling.nearly 2 min⟧" {
		t.Errorf("with readings that disagree: %+v", k)
	}
}

// What is expected of the demo's parts: by the formula of a tube in still air where the
// outside is known (the aluminium tube, 44.45 mm in 50: 2.43 J/(cm³ K) × 1.39 mm / 12
// W/(m² K) = 281 s), else what is usual of steel in the ratio of the heat capacities.
func TestExpect(t *testing.T) {
	mm := func(s string) analysis.Length { return parse(t, s+" mm") }
	for _, c := range []struct {
		material    string
		outer, bore analysis.Length
		want        float64 // s
		says        string
	}{
		{"aluminium", mm("50"), mm("44.45"), 281, "⟦master.cooling.by_size 5 min ⟦material.aluminium⟧ 50 mm⟧"},
		{"tool steel", mm("60"), mm("31.75"), 2119, "⟦master.cooling.by_size 36 min ⟦material.tool steel⟧ 60 mm⟧"},
		{"steel", 0, mm("31.75"), 480, "⟦master.cooling.usual 8 min ⟦material.steel⟧⟧"},
		{"aluminium", 0, mm("44.45"), 480 * 2.43 / 3.69, "⟦master.cooling.usual 6 min ⟦material.aluminium⟧⟧"},
		{"", 0, mm("31.75"), 480, "⟦master.cooling.usual 8 min ⟦material.steel⟧⟧"},
		{"steel", mm("30"), mm("31.75"), 480, "⟦master.cooling.usual 8 min ⟦material.steel⟧⟧"}, // which is none of a tube
	} {
		tau, basis := ExpectCooling(c.material, c.outer, c.bore)
		if math.Abs(tau.Seconds()-c.want) > 1 || coded(basis) != c.says {
			t.Errorf("%s, %s: %s, %q", c.material, c.outer, tau, basis)
		}
	}
}

// TestTimeConstant: a bush 22/28 mm and a sleeve 25/50 mm in still air and in
// moving oil (worked out apart from ρ c V/(h S)).
func TestTimeConstant(t *testing.T) {
	mm := analysis.Millimetre
	for _, c := range []struct {
		material    string
		outer, bore analysis.Length
		air, oil    float64
	}{{"leaded bronze", 28 * mm, 22 * mm, 418, 13}, {"steel", 50 * mm, 25 * mm, 1922, 58}} {
		for h, want := range map[float64]float64{StillAir: c.air, MovingOil: c.oil} {
			tau, err := TimeConstant(c.material, c.outer, c.bore, h)
			if err != nil || math.Abs(tau.Seconds()-want) > 0.01*want+0.5 {
				t.Errorf("%s in %v: %s, %v, want %v s", c.material, h, tau, err, want)
			}
		}
	}
	if _, err := TimeConstant("steel", 1, 2, StillAir); err == nil {
		t.Error("a tube with more bore than outside is accepted")
	}
}

func BenchmarkSettle(b *testing.B) {
	ws := cooling(rand.New(rand.NewPCG(1, 2)), 8, 182, 0.15, 30, 24)
	rules := UsualCooling(15*micron/100, 182*time.Second)
	for b.Loop() {
		if k := FitCooling(ws, rules); !k.Usable {
			b.Fatal(k.Sentence)
		}
	}
}

// anyCooling draws repeated sizes of a part that cools, or warms, by any amount, however
// often and however long it is gauged, and the rules for it.
func anyCooling(t *rapid.T) (points []WarmReading, rules CoolingRules, a float64) {
	tau := rapid.Float64Range(20, 2000).Draw(t, "tau")
	s := rapid.Float64Range(0.05, 0.4).Draw(t, "repeatability")
	a = rapid.Float64Range(-15, 15).Draw(t, "warm by")
	step := tau * rapid.Float64Range(0.005, 0.5).Draw(t, "step")
	n := rapid.IntRange(0, 40).Draw(t, "readings")
	guess := tau * math.Exp(rapid.Float64Range(-1, 1).Draw(t, "guess"))
	r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 5))
	return cooling(r, a, tau, s, step, n), UsualCooling(analysis.Deviation(s*1e4), seconds(guess)), a
}

// Nothing comes from data that can't carry it: a final size or an excess is told only
// with readings enough, for long enough, of a part that shrinks, and to within what is of
// use; else there is none of it, and it is said why.
func TestSettle_RefusesWhatCantCarryIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ws, rules, a := anyCooling(t)
		k := FitCooling(ws, rules)
		if k.Sentence.IsZero() {
			t.Fatal("nothing is said")
		}
		if !k.Usable {
			if k.Ready || k.Excess != nil {
				t.Fatalf("of no use, and used: %+v", k)
			}
			return
		}
		if a < -8*microns(rules.Widest) {
			t.Fatalf("a part that grows by %.2f µm is told to settle: %+v", -a, k)
		}
		if span := ws[len(ws)-1].At - ws[0].At; len(ws) < MinWarm || span < 2*rules.Shortest {
			t.Fatalf("told by %d readings in %s: %+v", len(ws), span, k)
		}
		if k.U > rules.Widest || k.Low > k.Final || k.High < k.Final || k.Remaining < 0 || k.Most < k.Remaining {
			t.Fatalf("%+v, widest of use %d", k, rules.Widest)
		}
		if k.Remaining > rules.Remaining && (k.Ready || k.Wait <= 0) {
			t.Fatalf("still to come %d, and not waited for: %+v", k.Remaining, k)
		}
		if x := k.Excess; x != nil && (x.Size < 0 || x.U <= 0 || x.Tau <= 0 || x.TauU <= 0) {
			t.Fatalf("excess %+v", *x)
		}
		// What it is warm by is told with its sign: a cold part is taken for no warm one.
		if x := k.Excess; a < 0 && x != nil && x.Size > max(4*x.U, rules.Remaining) {
			t.Fatalf("of a part colder by %.2f µm: %+v", -a, *x)
		}
	})
}

// Cut to less than a fit can rest on, in number or in time, any data are refused; moved
// by a constant they say the same, about a size moved as far.
func TestSettle_LessIsRefusedAndMovedIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ws, rules, _ := anyCooling(t)
		if k := FitCooling(ws[:min(len(ws), MinWarm-1)], rules); k.Usable || k.Ready || k.Final != 0 {
			t.Fatalf("by %d readings: %+v", k.N, k)
		}
		quick := append([]WarmReading(nil), ws...)
		for i := range quick {
			quick[i].At = time.Duration(i) * (2*rules.Shortest - 1) / time.Duration(len(ws))
		}
		if k := FitCooling(quick, rules); k.Usable || k.Ready || k.Final != 0 {
			t.Fatalf("in less than %s: %+v", 2*rules.Shortest, k)
		}
		by := analysis.Length(rapid.Int64Range(-1e8, 1e8).Draw(t, "moved by"))
		moved := append([]WarmReading(nil), ws...)
		for i := range moved {
			moved[i].Size += by
		}
		a, b := FitCooling(ws, rules), FitCooling(moved, rules)
		if a.Final != 0 {
			a.Final, a.Low, a.High = a.Final+by, a.Low+by, a.High+by
		}
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("%+v\nmoved %+v", a, b)
		}
	})
}

// The excess is taken off only where more than waiting asks for is there: eight readings,
// an amount worth it, and the same told without the last one and the last two.
func TestPartExcess_RefusesWhatCantCarryIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ws, rules, _ := anyCooling(t)
		c, err := PartExcess(ws, rules)
		if err != nil {
			if c.Excess != nil || c.Usable || err.Error() == "" {
				t.Fatalf("%v, and %+v", err, c)
			}
			return
		}
		if x := c.Excess; len(ws) < minExcess || !c.Usable || x.Size <= rules.Remaining || x.Size <= 2*x.U {
			t.Fatalf("by %d readings %+v", len(ws), *x)
		}
		for less := 1; less <= 2; less++ {
			if k := FitCooling(ws[:len(ws)-less], rules); !k.Usable || k.Excess == nil {
				t.Fatalf("with %d fewer it can't be told: %s", less, k.Sentence)
			}
		}
	})
}

// without is repeated sizes of a part that is warm by a µm and cools with 200 s, without
// noise, so that the way is known.
func without(a float64, step time.Duration, n int) (ws []WarmReading) {
	for i := range n {
		at := time.Duration(i) * step
		ws = append(ws, WarmReading{at, finalSize + length(a*math.Exp(-at.Seconds()/200))})
	}
	return ws
}

// As a part comes to its size it is not ready while more than may be left is to come,
// though its readings agree.
func TestSettle_NotReadyBeforeItIsTime(t *testing.T) {
	rules, ws, met := UsualCooling(3*micron/10, 200*time.Second), without(8, 30*time.Second, 60), 0
	for n := minExcess; n <= len(ws); n++ {
		k := FitCooling(ws[:n], rules)
		if left := 8 * math.Exp(-ws[n-1].At.Seconds()/200); left > 0.16 && settled(ws[:n], &rules) && k.Most <= rules.Widest {
			met++
			if k.Ready {
				t.Errorf("ready with %.2f µm to come: %s", left, k.Sentence)
			}
		}
	}
	if met == 0 {
		t.Error("never met on the way")
	}
}

// An excess within twice its uncertainty is not taken off, though the data tell it, and
// told it two readings before.
func TestPartExcess_NotWithinItsUncertainty(t *testing.T) {
	rules, ws, met := UsualCooling(15*micron/100, 200*time.Second), without(1.2, 10*time.Second, 60), 0
	for n := minExcess + 2; n <= len(ws); n++ {
		x := FitCooling(ws[:n], rules).Excess
		if x == nil || x.Size <= rules.Remaining || x.Size > 2*x.U || FitCooling(ws[:n-1], rules).Excess == nil || FitCooling(ws[:n-2], rules).Excess == nil {
			continue
		}
		met++
		if _, err := PartExcess(ws[:n], rules); err == nil {
			t.Errorf("taken off: %+v", *x)
		}
	}
	if met == 0 {
		t.Error("never met on the way")
	}
}
