package study

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

type capabilityCase struct {
	Case                 string
	Data                 []float64
	LSL, USL             float64
	Mean, SD, T          float64
	Cp, Cpu, Cpl, Cpk, K float64
	Cpm, Cpmk            float64
	Below                float64    `json:"ppm_below"`
	Above                float64    `json:"ppm_above"`
	CpCI                 [2]float64 `json:"Cp_ci"`
	CpkCI                [2]float64 `json:"Cpk_ci_bissell"`
	CpkLower             float64    `json:"Cpk_lower_one_sided"`
	N                    int
	NForCI               int `json:"n_for_ci"`
}

func TestCapabilityAgainstTheReference(t *testing.T) {
	var ref struct{ Cases []capabilityCase }
	load(t, "capability/capability.json", &ref)
	if len(ref.Cases) != 2 {
		t.Fatal(len(ref.Cases))
	}
	for _, w := range ref.Cases {
		target := w.T
		spec := Spec{Low: w.LSL, High: w.USL, Target: &target, Unattended: true}
		var c CapabilityResult
		var err error
		if w.Data != nil {
			c, err = Capability(w.Data, spec, 0.95)
		} else {
			c, err = CapabilityOf(w.NForCI, w.Mean, w.SD, spec, 0.95)
		}
		if err != nil {
			t.Fatal(err)
		}
		for name, p := range map[string][2]float64{
			"mean": {c.Mean.Value, w.Mean}, "sd": {c.SD.Value, w.SD}, "Cp": {c.Cp.Value, w.Cp}, "Cpu": {c.Cpu.Value, w.Cpu}, "Cpl": {c.Cpl.Value, w.Cpl},
			"Cpk": {c.Cpk.Value, w.Cpk}, "k": {c.K.Value, w.K}, "Cpm": {c.Cpm.Value, w.Cpm}, "Cpmk": {c.Cpmk.Value, w.Cpmk},
			"ppm below": {c.Below.Value, w.Below}, "ppm above": {c.Above.Value, w.Above},
			"Cp low": {c.CpLow.Value, w.CpCI[0]}, "Cp high": {c.CpHigh.Value, w.CpCI[1]},
			"Cpk low": {c.CpkLow.Value, w.CpkCI[0]}, "Cpk high": {c.CpkHigh.Value, w.CpkCI[1]}, "Cpk at least": {c.CpkAtLeast.Value, w.CpkLower},
		} {
			near(t, w.Case+": "+name, p[0], p[1], 1e-9)
		}
		if !c.Cpk.OK || c.Cpk.N != max(w.N, w.NForCI) {
			t.Errorf("%+v", c.Cpk)
		}
		// Cpk = (1 − k) Cp, another way round to it.
		near(t, w.Case+": Cpk from k", (1-c.K.Value)*c.Cp.Value, c.Cpk.Value, 1e-12)
	}
}

// TestCentredRates: parts per million outside of ±3 Cp standard deviations.
func TestCentredRates(t *testing.T) {
	var ref struct {
		Centred []struct {
			Cp  float64 `json:"Cp_centred"`
			PPM float64 `json:"ppm_total"`
		} `json:"centred_ppm"`
	}
	load(t, "capability/capability.json", &ref)
	for _, w := range ref.Centred {
		c, err := CapabilityOf(100, 0, 1, Spec{Low: -3 * w.Cp, High: 3 * w.Cp, Unattended: true}, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "ppm", c.Below.Value+c.Above.Value, w.PPM, 1e-9)
	}
}

// lot is the final mean of ten hand-honed sleeves, µm above nominal; limits 0 and 2.54.
var lot = []float64{1.1, 1.3, 0.9, 1.5, 1.2, 1.4, 1.0, 1.3, 1.6, 1.2}

func TestSmallLotGetsNoIndex(t *testing.T) {
	c, err := Capability(lot, Spec{Low: 0, High: 2.54}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "mean", c.Mean.Value, 1.25, 1e-12)
	within(t, "sd", c.SD.Value, 0.22, 0.005)
	within(t, "Cpk", c.Cpk.Value, 1.9, 0.05)
	if c.Cpk.OK || c.Cpk.Why.Code != "study.why.few_for_index" || c.Below.OK || c.CpkLow.OK {
		t.Errorf("%+v", c.Cpk)
	}
	text := said(c.Says())
	if strings.Contains(text, "study.cpk") || !strings.Contains(text, "study.note.few_for_index 10") || !strings.Contains(text, "study.note.honed") {
		t.Error(text)
	}
}

func TestOneSidedCapability(t *testing.T) {
	x := make([]float64, 40)
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range x {
		x[i] = 1 + 0.1*rng.NormFloat64()
	}
	c, err := Capability(x, Spec{High: 2, NoLow: true}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if c.Cp.OK || c.Cpl.OK || c.Below.OK || c.Cpm.OK || !c.Cpk.OK || c.Cpk.Value != c.Cpu.Value {
		t.Errorf("%+v", c)
	}
	c, err = Capability(x, Spec{Low: 0, NoHigh: true}, 0.95)
	if err != nil || c.Cpk.Value != c.Cpl.Value || c.Cpu.OK {
		t.Errorf("%v %+v", err, c)
	}
	finiteAll(t, c)
}

func TestFlatLotSaysSo(t *testing.T) {
	c, err := Capability(slices.Repeat([]float64{5}, 30), Spec{Low: 0, High: 10}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	finiteAll(t, c)
	if c.Cpk.OK || !strings.Contains(said(c.Says()), "study.no_cpk ⟦study.why.sizes_same") {
		t.Error(said(c.Says()))
	}
	if c, err = Capability([]float64{5}, Spec{Low: 0, High: 10}, 0.95); err != nil || c.SD.OK || c.Cpk.OK {
		t.Errorf("%v %+v", err, c)
	}
	finiteAll(t, c)
}

func TestCapabilityErrors(t *testing.T) {
	nan := math.NaN()
	for want, call := range map[string]func() error{
		"at least one":           func() error { _, err := Capability(lot, Spec{NoLow: true, NoHigh: true}, 0.95); return err },
		"finite values":          func() error { _, err := Capability(lot, Spec{Low: nan, High: 1}, 0.95); return err },
		"must be above":          func() error { _, err := Capability(lot, Spec{Low: 1, High: 1}, 0.95); return err },
		"confidence":             func() error { _, err := Capability(lot, Spec{High: 1}, 95); return err },
		"no readings":            func() error { _, err := Capability(nil, Spec{High: 1}, 0.95); return err },
		"give readings":          func() error { _, err := CapabilityOf(0, 0, 1, Spec{High: 1}, 0.95); return err },
		"give readings, their":   func() error { _, err := CapabilityOf(9, nan, 1, Spec{High: 1}, 0.95); return err },
		"not a size":             func() error { _, err := Capability([]float64{1, math.Inf(1)}, Spec{High: 1}, 0.95); return err },
		"give finite values in ": func() error { _, err := Capability(lot, Spec{High: 1, Target: &nan}, 0.95); return err },
	} {
		if err := call(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

func TestToleranceFactors(t *testing.T) {
	// Exact one-sided factors for 95 % with 95 % confidence, as public libraries'
	// tests list them; n = 3 as in printed tables.
	for n, want := range map[int]float64{10: 2.910963413, 20: 2.396001684, 30: 2.219837532} {
		near(t, "one-sided", OneSidedFactor(n, 0.95, 0.95).Value, want, 2e-10)
	}
	within(t, "one-sided, n 3", OneSidedFactor(3, 0.95, 0.95).Value, 7.6559, 5e-5)
	within(t, "one-sided, n 50", OneSidedFactor(50, 0.95, 0.95).Value, 2.064993, 5e-6)
	// e-Handbook 7.2.6.3 (from memory): n = 43, 90 % with 99 % confidence, 2.217 by Howe.
	within(t, "two-sided", TwoSidedFactor(43, 0.90, 0.99).Value, 2.217, 1e-3)
	for _, bad := range []Stat{OneSidedFactor(1, 0.95, 0.95), OneSidedFactor(10, 1, 0.95), TwoSidedFactor(10, 0.95, 0), TwoSidedFactor(10, math.NaN(), 0.9)} {
		if bad.OK || bad.Why.IsZero() || bad.Value != 0 {
			t.Errorf("%+v", bad)
		}
	}
	last := math.Inf(1)
	for n := 2; n < 2000; n += 1 + n/10 { // fewer readings always need a wider interval
		k := OneSidedFactor(n, 0.95, 0.95)
		if !k.OK || k.Value >= last || k.Value < 1.6448 {
			t.Fatalf("n %d: %+v after %v", n, k, last)
		}
		last = k.Value
	}
}

// TestToleranceIntervalCovers counts, over many lots of a normal population,
// how often the interval holds the share it promises.
func TestToleranceIntervalCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	const lots, n = 4000, 12
	held := 0
	for range lots {
		x := make([]float64, n)
		for i := range x {
			x[i] = rng.NormFloat64()
		}
		i, err := ToleranceInterval(x, 0.95, 0.90)
		if err != nil {
			t.Fatal(err)
		}
		if normal(i.High.Value)-normal(i.Low.Value) >= 0.95 {
			held++
		}
	}
	within(t, "share of lots", float64(held)/lots, 0.90, 0.02) // 4 standard errors
	i, err := ToleranceInterval(lot[:1], 0.95, 0.95)
	if err != nil || i.Low.OK || i.Factor.Why.Code != "study.why.two_readings" {
		t.Errorf("%v %+v", err, i)
	}
	if i, err = ToleranceInterval(lot, math.NaN(), 0.95); err != nil || i.Low.OK {
		t.Errorf("%v %+v", err, i)
	}
	finiteAll(t, i)
}

// TestNormalityKeepsItsLevel: of normal samples one in twenty is doubted, and
// Stephens' critical value 0.752 is where the chance is 5 %.
func TestNormalityKeepsItsLevel(t *testing.T) {
	within(t, "chance at 0.752", chanceOfA2(0.752), 0.05, 5e-4)
	within(t, "chance at 1.035", chanceOfA2(1.035), 0.01, 2e-4)
	for a := 0.0; a < 20; a += 0.01 {
		if p := chanceOfA2(a); p < 0 || p > 1 || p < chanceOfA2(a+0.01)-2e-3 {
			t.Fatalf("chance %v at %v", p, a)
		}
	}
	rng := rand.New(rand.NewPCG(9, 10))
	doubted := 0
	const samples, n = 3000, 20
	for range samples {
		x := make([]float64, n)
		for i := range x {
			x[i] = 31750 + 0.2*rng.NormFloat64()
		}
		r, err := Normality(x)
		if err != nil {
			t.Fatal(err)
		}
		if r.P.Value < 0.05 {
			doubted++
		}
	}
	within(t, "share doubted", float64(doubted)/samples, 0.05, 0.016) // 4 standard errors
}

// TestNormalityOfMicrowaves: radiation of oven doors, skewed, the e-Handbook's
// example for a transformation (6.5.2).
func TestNormalityOfMicrowaves(t *testing.T) {
	var y []float64
	for _, r := range plain(t, "ehandbook/MONITOR-6_5_2.DAT") {
		y = append(y, value(t, r[0]))
	}
	r, err := Normality(y)
	if err != nil || r.P.Value > 0.01 {
		t.Errorf("%v %+v", err, r)
	}
	scores := make([]float64, 40) // as normal as forty values can be
	for i := range scores {
		scores[i] = 22230 + 0.3*quantile((float64(i)+0.5)/40)
	}
	if r, err = Normality(scores); err != nil || r.P.Value < 0.9 {
		t.Errorf("normal scores: %v %+v", err, r)
	}
	for _, few := range [][]float64{lot[:7], slices.Repeat([]float64{3}, 20)} {
		if r, err = Normality(few); err != nil || r.P.OK {
			t.Errorf("%v %+v", err, r)
		}
		finiteAll(t, r)
	}
}

// TestAndersonDarlingByItsDefinition integrates the statistic,
// A² = n ∫ (Fn − F)² / (F (1 − F)) dF, over the gear diameters of the e-Handbook.
func TestAndersonDarlingByItsDefinition(t *testing.T) {
	x := slices.Sorted(slices.Values(floats(t, columns(t, "ehandbook/gear.csv")["diameter"])))
	s, err := Describe(x)
	if err != nil {
		t.Fatal(err)
	}
	n := float64(len(x))
	f := []float64{0}
	for _, v := range x {
		f = append(f, distuv.Normal{Mu: s.Mean.Value, Sigma: s.SD.Value}.CDF(v))
	}
	f = append(f, 1)
	a2 := 0.0
	for i := range len(f) - 1 {
		if f[i+1] > f[i] {
			a2 += n * quad.Fixed(func(u float64) float64 { d := float64(i)/n - u; return d * d / (u * (1 - u)) }, f[i], f[i+1], 60, quad.Legendre{}, 0)
		}
	}
	r, err := Normality(x)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "A²", r.A2.Value, a2*(1+0.75/n+2.25/(n*n)), 1e-6)
}
