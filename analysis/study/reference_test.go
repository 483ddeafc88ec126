package study

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const testdata = "../../testdata/study/"

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: %.15g, want %.15g (%.1e off)", what, got, want, math.Abs(got/want-1))
	}
}

func within(t *testing.T, what string, got, want, absolute float64) {
	t.Helper()
	if !(math.Abs(got-want) <= absolute) {
		t.Errorf("%s: %.10g, want %.10g", what, got, want)
	}
}

// columns reads a CSV file of the testdata by column.
func columns(t testing.TB, name string) map[string][]string {
	t.Helper()
	f, err := os.Open(testdata + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
	}
	out := map[string][]string{}
	for _, r := range rows[1:] {
		for i, h := range rows[0] {
			out[h] = append(out[h], r[i])
		}
	}
	return out
}

func floats(t testing.TB, s []string) []float64 {
	t.Helper()
	out := make([]float64, len(s))
	for i, v := range s {
		x, err := strconv.ParseFloat(v, 64)
		if err != nil {
			t.Fatal(err)
		}
		out[i] = x
	}
	return out
}

// grouped splits y by equal names, in order of first sight.
func grouped(names []string, y []float64) (out [][]float64) {
	var seen []string
	for i, n := range names {
		k := slices.Index(seen, n)
		if k < 0 {
			k, seen, out = len(seen), append(seen, n), append(out, nil)
		}
		out[k] = append(out[k], y[i])
	}
	return out
}

func load(t testing.TB, name string, to any) {
	t.Helper()
	b, err := os.ReadFile(testdata + name)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, to); err != nil {
		t.Fatal(err)
	}
}

// plain reads the numbers below the dashed line of an e-Handbook data file.
func plain(t testing.TB, name string) (rows [][]string) {
	t.Helper()
	b, err := os.ReadFile(testdata + name)
	if err != nil {
		t.Fatal(err)
	}
	data := false
	for line := range strings.Lines(string(b)) {
		if data && strings.TrimSpace(line) != "" {
			rows = append(rows, strings.Fields(line))
		}
		data = data || strings.HasPrefix(line, "-----")
	}
	if len(rows) == 0 {
		t.Fatal(name, "holds no data")
	}
	return rows
}

type certified struct {
	Kind         string
	Mean         string
	SD           string `json:"sd_n_minus_1"`
	Lag1         string `json:"autocorr_lag1"`
	DFBetween    string `json:"df_between"`
	SSBetween    string `json:"ss_between"`
	F            string
	DFWithin     string `json:"df_within"`
	SSWithin     string `json:"ss_within"`
	RSquared     string `json:"r_squared"`
	ResidualSD   string `json:"residual_sd"`
	Coefficients []struct{ Estimate, SD string }
}

func value(t *testing.T, s string) float64 { t.Helper(); return floats(t, []string{s})[0] }

func strd(t *testing.T) map[string]certified {
	var f struct{ Datasets map[string]certified }
	load(t, "strd/certified.json", &f)
	return f.Datasets
}

func TestDescribeOnStRD(t *testing.T) {
	for name, tolerance := range map[string]float64{"Lew": 1e-12, "Lottery": 1e-12, "Mavro": 1e-11, "Michelso": 1e-11, "NumAcc1": 1e-15, "NumAcc2": 1e-12, "NumAcc3": 1e-9} {
		c := strd(t)[name]
		s, err := Describe(floats(t, columns(t, "strd/"+name+".csv")["y"]))
		if err != nil || !s.SD.OK || !s.Lag1.OK {
			t.Fatal(name, s, err)
		}
		near(t, name+" mean", s.Mean.Value, value(t, c.Mean), 1e-14)
		near(t, name+" sd", s.SD.Value, value(t, c.SD), tolerance)
		near(t, name+" lag 1", s.Lag1.Value, value(t, c.Lag1), max(tolerance, 1e-11))
	}
}

func TestOneWayOnStRD(t *testing.T) {
	for name, tolerance := range map[string]float64{"SiRstv": 1e-10, "SmLs01": 1e-12, "SmLs04": 1e-8} {
		c := strd(t)[name]
		col := columns(t, "strd/"+name+".csv")
		g, err := OneWay(grouped(col["group"], floats(t, col["y"])))
		if err != nil || !g.Between.F.OK {
			t.Fatal(name, g, err)
		}
		near(t, name+" F", g.Between.F.Value, value(t, c.F), tolerance)
		near(t, name+" SS between", g.Between.SS, value(t, c.SSBetween), tolerance)
		near(t, name+" SS within", g.Within.SS, value(t, c.SSWithin), tolerance)
		near(t, name+" R²", g.RSquared.Value, value(t, c.RSquared), tolerance)
		near(t, name+" residual sd", g.ResidualSD.Value, value(t, c.ResidualSD), tolerance)
		if strconv.Itoa(g.Between.DF) != c.DFBetween || strconv.Itoa(g.Within.DF) != c.DFWithin {
			t.Errorf("%s: %d and %d degrees of freedom", name, g.Between.DF, g.Within.DF)
		}
	}
}

func TestFitLineOnStRD(t *testing.T) {
	c := strd(t)["Norris"]
	col := columns(t, "strd/Norris.csv")
	l, err := FitLine(floats(t, col["x"]), floats(t, col["y"]))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "intercept", l.Intercept.Value, value(t, c.Coefficients[0].Estimate), 1e-11)
	near(t, "slope", l.Slope.Value, value(t, c.Coefficients[1].Estimate), 1e-11)
	near(t, "intercept se", l.InterceptSE.Value, value(t, c.Coefficients[0].SD), 1e-11)
	near(t, "slope se", l.SlopeSE.Value, value(t, c.Coefficients[1].SD), 1e-11)
	near(t, "residual sd", l.ResidualSD.Value, value(t, c.ResidualSD), 1e-11)
	near(t, "R²", l.RSquared.Value, value(t, c.RSquared), 1e-11)
}

// TestGearDiameters: 100 gear diameters in 10 batches.
func TestGearDiameters(t *testing.T) {
	var ref struct {
		GEAR struct {
			Mean, SD  float64
			Rbar      float64
			Sbar      float64
			SigmaR    float64                          `json:"sigma_within_Rbar_d2"`
			SigmaS    float64                          `json:"sigma_within_sbar_c4"`
			PooledSD  float64                          `json:"pooled_sd"`
			XbarR     [2]float64                       `json:"xbar_R_limits"`
			R         [2]float64                       `json:"R_limits"`
			Means     []float64                        `json:"batch_means"`
			SDs       []float64                        `json:"batch_sd"`
			Anova     struct{ SSb, SSw, F, P float64 } `json:"anova_batch"`
			Bartlett  struct{ Recomputed float64 }
			LeveneMed struct{ Recomputed float64 } `json:"levene_median"`
		}
	}
	load(t, "ehandbook/results.json", &ref)
	want := ref.GEAR
	col := columns(t, "ehandbook/gear.csv")
	batches := grouped(col["batch"], floats(t, col["diameter"]))
	r, err := XbarR(batches)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean range", r.Spread.Centre, want.Rbar, 1e-12)
	near(t, "sigma from ranges", r.Sigma.Value, want.SigmaR, 1e-9)
	within(t, "low limit of means", r.Location.Low, want.XbarR[0], 1e-11)
	within(t, "high limit of means", r.Location.High, want.XbarR[1], 1e-11)
	near(t, "low limit of ranges", r.Spread.Low, want.R[0], 1e-8)
	near(t, "high limit of ranges", r.Spread.High, want.R[1], 1e-9)
	if r.Sigma.OK || r.Sigma.Why.Code != "study.why.trial" {
		t.Errorf("ten batches make trial limits: %+v", r.Sigma)
	}
	s, err := XbarS(batches)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "sigma from standard deviations", s.Sigma.Value, want.SigmaS, 1e-9)
	for i := range want.Means {
		near(t, "batch mean", s.Location.Values[i], want.Means[i], 1e-12)
		near(t, "batch sd", s.Spread.Values[i], want.SDs[i], 1e-10)
	}
	g, err := OneWay(batches)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "F", g.Between.F.Value, want.Anova.F, 1e-9)
	near(t, "p", g.Between.P.Value, want.Anova.P, 1e-9)
	near(t, "pooled sd", g.ResidualSD.Value, want.PooledSD, 1e-9)
	e, err := EqualSpread(batches)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Bartlett", e.Bartlett.Value, want.Bartlett.Recomputed, 1e-9)
	within(t, "Bartlett as published", e.Bartlett.Value, 20.7858, 1e-4)
	near(t, "Levene", e.Levene.Value, want.LeveneMed.Recomputed, 1e-9)
	within(t, "Levene as published", e.Levene.Value, 1.70591, 1e-5)
	if e.BartlettP.Value > 0.05 { // 20.8 is above the critical 16.9
		t.Errorf("Bartlett's chance %g", e.BartlettP.Value)
	}
}

// TestMachineDiameters: 180 diameters of three machines.
func TestMachineDiameters(t *testing.T) {
	var ref struct {
		MACHINE struct {
			Anova struct{ SSb, SSw, F, P float64 } `json:"anova_machine_oneway"`
		}
	}
	load(t, "ehandbook/results.json", &ref)
	col := columns(t, "ehandbook/machine.csv")
	g, err := OneWay(grouped(col["machine"], floats(t, col["diameter_in"])))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "F", g.Between.F.Value, ref.MACHINE.Anova.F, 1e-9)
	near(t, "p", g.Between.P.Value, ref.MACHINE.Anova.P, 1e-9)
	if g.N != 180 || g.Between.DF != 2 || g.Between.P.Value > significant {
		t.Errorf("%+v", g)
	}
}

// TestOneWaySums: the machines of e-Handbook 3.2.3.1. The page prints F 4.86, the ratio of
// rounded mean squares; that of the data is 5.206.
func TestOneWaySums(t *testing.T) {
	var ref struct {
		One struct {
			SSb, SSw, F, P float64
		} `json:"ppc_one_way"`
	}
	load(t, "ehandbook/results.json", &ref)
	var machines []string
	var diameters []float64
	for _, r := range plain(t, "ehandbook/CHARACTERIZE-3_2_3_1.DAT") {
		machines, diameters = append(machines, r[0]), append(diameters, value(t, r[1]))
	}
	g, err := OneWay(grouped(machines, diameters))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "between machines", g.Between.SS, ref.One.SSb, 1e-9)
	near(t, "within a machine", g.Within.SS, ref.One.SSw, 1e-9)
	near(t, "F", g.Between.F.Value, ref.One.F, 1e-9)
	near(t, "p", g.Between.P.Value, ref.One.P, 1e-9)
}

// TestTwoWaySums: machines and coolants (e-Handbook 3.2.3.2) as parts and operators.
func TestTwoWaySums(t *testing.T) {
	var ref struct {
		Two struct{ SS, F map[string]float64 } `json:"ppc_two_way"`
	}
	load(t, "ehandbook/results.json", &ref)
	table := Table{Parts: []string{"1", "2", "3", "4", "5"}, Operators: []string{"A", "B"}}
	for range table.Parts {
		table.Values = append(table.Values, make([][]float64, 2))
	}
	for _, r := range plain(t, "ehandbook/CHARACTERIZE-3_2_3_2.DAT") {
		part, op := int(value(t, r[1]))-1, slices.Index(table.Operators, r[0])
		table.Values[part][op] = append(table.Values[part][op], value(t, r[2]))
	}
	g, err := ByANOVA(table, 0, 1) // never pooled; F of a fixed model follows from the mean squares
	if err != nil {
		t.Fatal(err)
	}
	near(t, "machines", g.Rows[1].SS, ref.Two.SS["machine"], 1e-9)
	near(t, "coolants", g.Rows[0].SS, ref.Two.SS["coolant"], 1e-9)
	near(t, "interaction", g.Rows[2].SS, ref.Two.SS["interaction"], 1e-9)
	near(t, "repeats", g.Rows[3].SS, ref.Two.SS["residual"], 1e-9)
	near(t, "total", g.Rows[5].SS, ref.Two.SS["corrected_total"], 1e-9)
	near(t, "F of machines", g.Rows[1].MS/g.Rows[3].MS, ref.Two.F["machine"], 1e-9)
	near(t, "F of the interaction", g.Rows[2].F.Value, ref.Two.F["interaction"], 1e-9)
}

// TestResistivityGauge: levels two and three of the nested study of e-Handbook 2.4.4.1.
func TestResistivityGauge(t *testing.T) {
	var runs []string
	var average []float64
	for _, r := range plain(t, "ehandbook/MPC441.DAT") {
		runs, average = append(runs, r[0]), append(average, value(t, r[7]))
	}
	groups := grouped(runs, average)
	g, err := OneWay(groups)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "level two, pooled", g.ResidualSD.Value, 0.02742, 5e-6)
	var means []float64
	for i, want := range []float64{0.02728, 0.02756} {
		s, err := Describe(groups[i])
		if err != nil {
			t.Fatal(err)
		}
		within(t, "level two", s.SD.Value, want, 5e-6)
		means = append(means, s.Mean.Value)
	}
	s, err := Describe(means)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "level three", s.SD.Value, 0.02885, 5e-6)
}

func TestChartConstants(t *testing.T) {
	re, pub := columns(t, "spc/constants_recomputed.csv"), columns(t, "spc/constants_published.csv")
	get := func(c Constants) map[string]float64 {
		return map[string]float64{"d2": c.Range, "d3": c.RangeSD, "c4": c.SD, "A2": c.A2, "A3": c.A3, "D3": c.D3, "D4": c.D4, "B3": c.B3, "B4": c.B4, "B5": c.B5, "B6": c.B6, "E2": c.E2}
	}
	for _, set := range []struct {
		of       map[string][]string
		absolute float64
	}{{re, 1e-7}, {pub, 1e-3}} {
		for i, n := range floats(t, set.of["n"]) {
			c, err := ChartConstants(int(n))
			if err != nil {
				t.Fatal(err)
			}
			for name, v := range get(c) {
				if col := set.of[name]; col != nil {
					within(t, name+" of "+set.of["n"][i], v, value(t, col[i]), set.absolute)
				}
			}
		}
	}
	// Exact: d2 = 2/√π and d3 = √(2 − 4/π) for two readings.
	c, err := ChartConstants(2)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "d2 of 2", c.Range, 2/math.Sqrt(math.Pi), 1e-11)
	near(t, "d3 of 2", c.RangeSD, math.Sqrt(2-4/math.Pi), 1e-10)
	for _, n := range []int{-1, 0, 1, 101} {
		if _, err := ChartConstants(n); err == nil {
			t.Errorf("subgroups of %d must fail", n)
		}
	}
	if c, err := ChartConstants(100); err != nil || math.Abs(c.Range-5.01519) > 1e-4 { // printed in range tables (from memory)
		t.Errorf("d2 of 100: %v, %v", c.Range, err)
	}
}
