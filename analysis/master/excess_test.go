package master

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
)

func microns(d analysis.Deviation) float64 { return analysis.Length(d).Micrometres() }

// firstExcess gauges a cooling part until what it is warm by can be told, as a person
// does, who goes on from there: that the fit is used as soon as it may be favours the
// lucky ones, and the stated uncertainty has to bear it.
func firstExcess(ws []WarmReading, rules CoolingRules) (analysis.Excess, int) {
	for n := minExcess; n <= len(ws); n++ {
		if c, err := PartExcess(ws[:n], rules); err == nil {
			return *c.Excess, n
		}
	}
	return analysis.Excess{}, 0
}

// TestPartExcess_Honest: the excess of simulated parts (an exact exponential and normal
// noise, the truth known) divided by its stated standard uncertainty has a standard
// deviation of 1, at once and later. Seeded; within 0.8 to 1.2.
func TestPartExcess_Honest(t *testing.T) {
	const runs = 500
	for _, c := range []struct {
		name         string
		a, tau, s    float64 // µm, s, µm
		step, settle float64 // s; least share of runs that it comes to be used in
	}{
		{"aluminium tube", 8, 182, 0.2, 30, 0.95},
		{"bronze bush", 6, 418, 0.15, 45, 0.95},
		{"bush, slowly gauged", 6, 480, 0.15, 60, 0.95},
		{"warm tube, good gauge", 12, 300, 0.1, 30, 0.95},
		{"sleeve in air", 10, 1922, 0.15, 180, 0.95},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(20, 2))
			var used, wide, now2, later2 float64
			for range runs {
				guess := c.tau * math.Pow(2.9, 2*r.Float64()-1) // as far off as the bounds allow
				ws := cooling(r, c.a, c.tau, c.s, c.step, 60)
				x, n := firstExcess(ws, UsualCooling(analysis.Deviation(c.s*1e4), seconds(guess)))
				if n == 0 {
					continue
				}
				used++
				last := ws[n-1].At.Seconds()
				at := func(after float64) float64 {
					e, u := x.Later(seconds(after))
					return (microns(e) - c.a*math.Exp(-(last+after)/c.tau)) / microns(u)
				}
				now, later := at(0), at(1.5*c.tau*r.Float64())
				now2, later2 = now2+now*now, later2+later*later
				if math.Abs(now) > 2 {
					wide++
				}
			}
			sd, sdLater := math.Sqrt(now2/used), math.Sqrt(later2/used)
			t.Logf("used %.3f, normalised error %.2f, later %.2f, beyond U %.3f", used/runs, sd, sdLater, wide/used)
			if used < c.settle*runs {
				t.Errorf("used in %.3f of the runs", used/runs)
			}
			if sd < 0.8 || sd > 1.2 || sdLater < 0.8 || sdLater > 1.2 {
				t.Errorf("the normalised error has a standard deviation of %.2f, later %.2f", sd, sdLater)
			}
			if wide/used > 0.05+4*math.Sqrt(0.05*0.95/used) {
				t.Errorf("beyond U in %.3f of the runs", wide/used)
			}
		})
	}
}

// Without noise the excess and its fall are what was put in; and with it is the final
// size, which is what the last reading comes to.
func TestPartExcess_Exact(t *testing.T) {
	var ws []WarmReading
	for i := range 20 {
		at := time.Duration(i) * 30 * time.Second
		ws = append(ws, WarmReading{at, finalSize + length(8*math.Exp(-at.Seconds()/200))})
	}
	c, err := PartExcess(ws, UsualCooling(micron/20, 180*time.Second))
	if err != nil {
		t.Fatal(err)
	}
	for _, after := range []float64{0, 100, 400} {
		e, u := c.Excess.Later(seconds(after))
		if want := 8 * math.Exp(-(570+after)/200); math.Abs(microns(e)-want) > 0.01 || microns(u) > 0.03 || u <= 0 {
			t.Errorf("after %.0f s: %.4f ± %.4f µm, want %.4f", after, microns(e), microns(u), want)
		}
	}
}

func TestPartExcess_Refuses(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	rules := UsualCooling(15*micron/100, 182*time.Second)
	for name, c := range map[string]struct {
		points []WarmReading
		says   string
	}{
		"too few":   {cooling(r, 8, 182, 0.15, 90, 7), "⟦master.excess.few 7 8⟧"},
		"too short": {cooling(r, 8, 182, 0.15, 3, 20), "⟦master.excess.not_yet ⟦master.cooling.short "},
		"too early": {cooling(r, 8, 182, 0.15, 20, 10), "⟦master.excess.not_yet ⟦master.cooling.shrinking "},
		"growing":   {cooling(r, -8, 182, 0.15, 30, 24), "⟦master.excess.not_yet ⟦master.cooling.growing⟧⟧"},
		"settled":   {cooling(r, 8, 182, 0.15, 30, 60), "⟦master.excess.little⟧"},
		"never was": {cooling(r, 0, 182, 0.15, 30, 30), ""},
		"moved":     {func() []WarmReading { w := cooling(r, 8, 182, 0.15, 30, 24); w[20].Size += 50_000; return w }(), "⟦master.excess.not_yet ⟦master.cooling.poor⟧⟧"},
	} {
		if x, err := PartExcess(c.points, rules); err == nil || x.Excess != nil || !strings.HasPrefix(coded(analysis.Reason(err)), c.says) {
			t.Errorf("%s: %+v, %v", name, x.Excess, err)
		}
	}
}

// An excess and what is in doubt of it only ever fall, and never below 0.
func TestExcess_Falls(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := analysis.Excess{
			Size: analysis.Deviation(rapid.Int64Range(0, 1e6).Draw(t, "size")), U: analysis.Deviation(rapid.Int64Range(0, 1e5).Draw(t, "u")),
			Tau: time.Duration(rapid.Int64Range(0, 1e13).Draw(t, "tau")), TauU: time.Duration(rapid.Int64Range(0, 1e13).Draw(t, "tau of u")),
		}
		first := time.Duration(rapid.Int64Range(-1e12, 1e14).Draw(t, "first"))
		then := first + time.Duration(rapid.Int64Range(0, 1e14).Draw(t, "then"))
		a, ua := x.Later(first)
		b, ub := x.Later(then)
		if b > a || ub > ua || b < 0 || ub < 0 || a > x.Size || ua > x.U {
			t.Fatalf("%v: %d ± %d, then %d ± %d", x, a, ua, b, ub)
		}
	})
}

// A bronze bush of 22.2 mm is 0.40 µm larger for each kelvin (geometry: 18 × 10⁻⁶ × 22.2 mm).
func TestExcess_Warmer(t *testing.T) {
	x := analysis.Excess{Size: 12 * micron / 10}
	if got := x.Warmer(222_000_000, 18).Degrees(); math.Abs(got-3) > 0.01 {
		t.Errorf("%.3f K, want 3", got)
	}
	if x.Warmer(0, 18) != 0 || x.Warmer(1, 0) != 0 || x.Warmer(1, math.NaN()) != 0 {
		t.Error("a warmth without a size or an expansion")
	}
	x.Tau, x.TauU = time.Minute, time.Minute
	if s := coded(x.Still(0, 3*analysis.Celsius)); s != "⟦master.excess.still_warmer 1.20 µm 0.00 µm 3.0 K⟧" {
		t.Error(s)
	}
}
