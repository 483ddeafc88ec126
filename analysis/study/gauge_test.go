package study

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// msa is the worked example of the AIAG manual: 10 parts, 3 appraisers, 3 trials.
func msa(t testing.TB) Table {
	col := columns(t, "msa/aiag_data.csv")
	y := floats(t, col["value"])
	var table Table
	for i, p := range col["part"] {
		if !slices.Contains(table.Parts, p) {
			table.Parts = append(table.Parts, p)
			table.Values = append(table.Values, nil)
		}
		if !slices.Contains(table.Operators, col["appraiser"][i]) {
			table.Operators = append(table.Operators, col["appraiser"][i])
		}
		k, j := slices.Index(table.Parts, p), slices.Index(table.Operators, col["appraiser"][i])
		for len(table.Values[k]) <= j {
			table.Values[k] = append(table.Values[k], nil)
		}
		table.Values[k][j] = append(table.Values[k][j], y[i])
	}
	return table
}

type msaResults struct {
	Constants struct {
		K1 float64
		K2 float64
		K3 float64
		D4 float64
	}
	Intermediate struct {
		UCL float64
	}
	Range     map[string]float64
	Anova     map[string][]float64
	Unpooled  map[string]float64
	Pooled    map[string]float64
	Published map[string]float64
}

func msaExpected(t *testing.T) (r msaResults) {
	// The columns entry of the table is a string; leave it out.
	var raw map[string]any
	load(t, "msa/aiag_results.json", &raw)
	part := func(name string) map[string]float64 {
		out := map[string]float64{}
		for k, v := range raw[name].(map[string]any) {
			if f, ok := v.(float64); ok {
				out[k] = f
			}
		}
		return out
	}
	c := part("constants_used")
	r.Constants.K1, r.Constants.K2, r.Constants.K3, r.Constants.D4 = c["K1_3trials"], c["K2_3appraisers"], c["K3_10parts"], c["D4_3trials"]
	r.Intermediate.UCL = part("intermediate")["UCL_R"]
	r.Range, r.Unpooled = part("average_range_recomputed"), part("anova_components_no_pooling")
	r.Pooled, r.Published = part("anova_components_pooled(interaction not significant)"), part("published_avg_range")
	r.Anova = map[string][]float64{}
	for k, v := range raw["anova_table_recomputed"].(map[string]any) {
		if list, ok := v.([]any); ok {
			for _, f := range list {
				r.Anova[k] = append(r.Anova[k], f.(float64))
			}
		}
	}
	return r
}

func TestAverageAndRangeExample(t *testing.T) {
	want := msaExpected(t)
	got, err := averageAndRange(msa(t), 0, factors{want.Constants.K1, want.Constants.K2, want.Constants.K3, want.Constants.D4})
	if err != nil {
		t.Fatal(err)
	}
	computed, err := AverageAndRange(msa(t), 0)
	if err != nil {
		t.Fatal(err)
	}
	for name, pick := range map[string]func(GaugeStudy) Source{
		"EV":  func(g GaugeStudy) Source { return g.Repeatability },
		"AV":  func(g GaugeStudy) Source { return g.Operator },
		"GRR": func(g GaugeStudy) Source { return g.Gauge },
		"PV":  func(g GaugeStudy) Source { return g.Part },
		"TV":  func(g GaugeStudy) Source { return g.Total },
	} {
		near(t, name+" with the manual's factors", pick(got).SD.Value, want.Range[name], 1e-12)
		within(t, name+" as printed", pick(computed).SD.Value, want.Published[name], 2e-4)
		if p, ok := want.Range["p"+name]; ok {
			near(t, name+" in per cent", pick(got).OfTotal.Value, p, 1e-12)
		}
		if p, ok := want.Published["p"+name]; ok {
			within(t, name+" in per cent as printed", pick(computed).OfTotal.Value, p, 0.02)
		}
	}
	near(t, "classes", got.Distinct.Value, want.Range["ndc_raw"], 1e-12)
	near(t, "limit of ranges", got.RangeLimit.Value, want.Intermediate.UCL, 1e-12)
	if int(computed.Distinct.Value) != int(want.Published["ndc"]) {
		t.Errorf("%v classes", computed.Distinct)
	}
	// One range, 0.75 by the second appraiser on part 2, is below the limit of 0.88;
	// 1.02 on part 4 is above it.
	if len(computed.Notes) != 1 || !strings.Contains(said(computed.Notes), "study.note.ranges 1 30") {
		t.Errorf("%q", computed.Notes)
	}
}

func TestStudyFactorsAgainstTheManual(t *testing.T) {
	var k struct {
		Published map[string]map[string]float64
	}
	load(t, "msa/k_constants.json", &k)
	for name, v := range k.Published["K2_K3"] {
		n := int(value(t, name))
		f, err := studyFactors(n, n, 3)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "K2 of "+name, f.k2, v, 6e-5)
		within(t, "K3 of "+name, f.k3, v, 6e-5)
	}
	for name, v := range k.Published["K1"] {
		f, err := studyFactors(10, 3, int(value(t, name)))
		if err != nil {
			t.Fatal(err)
		}
		within(t, "K1 of "+name, f.k1, v, 6e-5)
	}
}

func TestByANOVAExample(t *testing.T) {
	want := msaExpected(t)
	for _, c := range []struct {
		name string
		pool float64
		want map[string]float64
	}{{"pooled", PoolAbove, want.Pooled}, {"not pooled", 1, want.Unpooled}} {
		g, err := ByANOVA(msa(t), 0, c.pool)
		if err != nil {
			t.Fatal(err)
		}
		if g.Pooled != (c.pool < 1) {
			t.Errorf("%s: pooled %v", c.name, g.Pooled)
		}
		for name, got := range map[string]Source{"EV": g.Repeatability, "AV": g.Operator, "GRR": g.Gauge, "PV": g.Part, "TV": g.Total} {
			near(t, c.name+" "+name, got.SD.Value, c.want[name], 1e-10)
			if p, ok := c.want["p"+name]; ok {
				near(t, c.name+" share of "+name, got.OfTotal.Value, p, 1e-10)
			}
			if p, ok := c.want["contrib_"+name]; ok {
				near(t, c.name+" contribution of "+name, got.Contribution.Value, p, 1e-10)
			}
		}
		near(t, c.name+" classes", g.Distinct.Value, c.want["ndc_raw"], 1e-10)
		if !g.Pooled { // chi-square at 60 degrees of freedom: 83.298 and 40.482 (NIST/SEMATECH e-Handbook, 1.3.6.7.4)
			ev := g.Repeatability.SD.Value
			within(t, "at least", g.RepeatLow.Value, ev*math.Sqrt(60/83.298), 1e-5)
			within(t, "at most", g.RepeatHigh.Value, ev*math.Sqrt(60/40.482), 1e-5)
		}
		if g.Interaction.SD.Value != 0 {
			t.Errorf("interaction %v", g.Interaction.SD)
		}
		for i, row := range []string{"appraiser", "part", "appraiser*part", "equipment", "pooled_error", "total"} {
			r := want.Anova[row]
			if float64(g.Rows[i].DF) != r[0] {
				t.Errorf("%s: %d degrees of freedom", row, g.Rows[i].DF)
			}
			near(t, "SS of "+row, g.Rows[i].SS, r[1], 1e-10)
			if i < 5 {
				near(t, "MS of "+row, g.Rows[i].MS, r[2], 1e-10)
			}
		}
		// Printed in the manual: 3.1673, 88.3619, 0.359, 2.7589, 94.6471.
		for i, ss := range []float64{3.1673, 88.3619, 0.3590, 2.7589} {
			within(t, "SS as printed", g.Rows[i].SS, ss, 5e-5)
		}
		near(t, "F of the interaction", g.Rows[2].F.Value, want.Anova["appraiser*part"][3], 1e-10)
		near(t, "its chance", g.Rows[2].P.Value, want.Anova["appraiser*part"][4], 1e-9)
		f := 3
		if !g.Pooled {
			f = 4
		}
		near(t, "F of appraisers", g.Rows[0].F.Value, want.Anova["appraiser"][f], 1e-10)
		near(t, "F of parts", g.Rows[1].F.Value, want.Anova["part"][f], 1e-10)
	}
}

// sleeves is the shop's study: 5 sleeves, 3 people, 2 trials, repeats of 0.15 µm
// and people at +0.05, 0 and −0.08 µm.
func sleeves(noise func() (a, b float64)) Table {
	table := Table{Parts: []string{"001", "002", "003", "004", "005"}, Operators: []string{"first shift", "second shift", "quality"}}
	for _, part := range []float64{1.1, 1.3, 0.9, 1.5, 1.2} {
		var cells [][]float64
		for _, op := range []float64{0.05, 0, -0.08} {
			a, b := noise()
			cells = append(cells, []float64{part + op + a, part + op + b})
		}
		table.Values = append(table.Values, cells)
	}
	return table
}

// TestSleeveStudy: six standard deviations of this gauge are 39 % of a
// tolerance of 2.54 µm, not good enough by the usual table.
func TestSleeveStudy(t *testing.T) {
	half := 0.15 / math.Sqrt2 // two trials this far from their mean have the standard deviation 0.15
	g, err := ByANOVA(sleeves(func() (float64, float64) { return half, -half }), 2.54, 1)
	if err != nil {
		t.Fatal(err)
	}
	people := math.Sqrt((0.05*0.05 + 0.08*0.08 - 0.03*0.03/3) / 2) // sample variance of 0.05, 0, −0.08
	near(t, "repeatability", g.Repeatability.SD.Value, 0.15, 1e-12)
	near(t, "people", g.Operator.SD.Value, people, 1e-12)
	near(t, "share of the tolerance", g.Judged().Value, 600*math.Hypot(0.15, people)/2.54, 1e-12)
	text := said(g.Says())
	if math.Round(g.Judged().Value) != 39 || !strings.Contains(text, "study.not_good") || !strings.Contains(text, "study.note.few_parts 5") || !strings.Contains(text, "study.classes.none 5") {
		t.Error(text)
	}
	// Any one study of such a gauge scatters about that, by both methods.
	rng := rand.New(rand.NewPCG(4, 112))
	byRange, byAnova := 0.0, 0.0
	const runs = 300
	for range runs {
		table := sleeves(func() (float64, float64) { return 0.15 * rng.NormFloat64(), 0.15 * rng.NormFloat64() })
		r, err := AverageAndRange(table, 2.54)
		if err != nil {
			t.Fatal(err)
		}
		a, err := ByANOVA(table, 2.54, PoolAbove)
		if err != nil {
			t.Fatal(err)
		}
		byRange += r.Judged().Value / runs
		byAnova += a.Judged().Value / runs
	}
	within(t, "average and range, mean of many", byRange, 38.7, 1.5)
	within(t, "analysis of variance, mean of many", byAnova, 38.7, 1.5)
}

func TestOneOperatorSaysSo(t *testing.T) {
	table := msa(t)
	table.Operators = table.Operators[:1]
	for i := range table.Values {
		table.Values[i] = table.Values[i][:1]
	}
	for _, study := range []func() (GaugeStudy, error){
		func() (GaugeStudy, error) { return AverageAndRange(table, 4) },
		func() (GaugeStudy, error) { return ByANOVA(table, 4, PoolAbove) },
	} {
		g, err := study()
		if err != nil {
			t.Fatal(err)
		}
		if g.Operator.SD.OK || g.Gauge.SD.Value != g.Repeatability.SD.Value || !strings.Contains(said(g.Says()), "study.note.one_operator") {
			t.Errorf("%+v", g)
		}
		finiteAll(t, g)
	}
}

func TestGaugeStudyVerdicts(t *testing.T) {
	for tolerance, want := range map[float64]string{20: "study.good", 10: "study.by_agreement", 2: "study.not_good"} {
		g, err := AverageAndRange(msa(t), tolerance)
		if err != nil || !strings.Contains(said(g.Says()), want) {
			t.Errorf("%v: %v, %q", tolerance, err, said(g.Says()))
		}
	}
	same := msa(t)
	for _, p := range same.Values {
		for _, c := range p {
			for k := range c {
				c[k] = 7
			}
		}
	}
	for _, study := range []func() (GaugeStudy, error){
		func() (GaugeStudy, error) { return AverageAndRange(same, 0) },
		func() (GaugeStudy, error) { return ByANOVA(same, 0, PoolAbove) },
	} {
		g, err := study()
		if err != nil {
			t.Fatal(err)
		}
		finiteAll(t, g)
		if text := said(g.Says()); g.Distinct.OK || !strings.Contains(text, "study.cannot_judge") || !strings.Contains(text, "study.note.repeats_same") {
			t.Error(text)
		}
	}
}

func TestGaugeStudyErrors(t *testing.T) {
	for want, spoil := range map[string]func(*Table){
		"two parts and one operator":  func(g *Table) { g.Parts = g.Parts[:1] },
		"10 parts are named and 9":    func(g *Table) { g.Values = g.Values[:9] },
		"readings of 2 operators":     func(g *Table) { g.Values[3] = g.Values[3][:2] },
		"gauged part 4 2 times":       func(g *Table) { g.Values[3][1] = g.Values[3][1][:2] },
		"B on part 4: reading 2, NaN": func(g *Table) { g.Values[3][1][1] = math.NaN() },
		"at least two trials":         func(g *Table) { one(g) },
	} {
		table := msa(t)
		spoil(&table)
		for _, study := range []func() (GaugeStudy, error){
			func() (GaugeStudy, error) { return AverageAndRange(table, 0) },
			func() (GaugeStudy, error) { return ByANOVA(table, 0, PoolAbove) },
		} {
			if _, err := study(); err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%v, want %q", err, want)
			}
		}
	}
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1)} {
		if _, err := ByANOVA(msa(t), bad, PoolAbove); err == nil {
			t.Errorf("a tolerance of %v must fail", bad)
		}
	}
}

func one(g *Table) {
	for i := range g.Values {
		for j := range g.Values[i] {
			g.Values[i][j] = g.Values[i][j][:1]
		}
	}
}

// A small study says that it is one, and each says where its spread comes from.
func TestGaugeStudySaysWhatItRestsOn(t *testing.T) {
	small := msa(t)
	small.Parts, small.Values, small.Operators = small.Parts[:7], small.Values[:7], small.Operators[:2]
	for i := range small.Values {
		small.Values[i] = small.Values[i][:2]
	}
	g, err := ByANOVA(small, 4, PoolAbove)
	if err != nil {
		t.Fatal(err)
	}
	text := said(g.Follows())
	if !g.Few() || !strings.Contains(text, "study.note.few_pairs") || !strings.Contains(text, "study.note.two_operators") {
		t.Error(text)
	}
	half := 0.15 / math.Sqrt2
	for want, table := range map[string]Table{
		"study.cause.gauge":  sleeves(func() (float64, float64) { return half, -half }),
		"study.cause.people": sleeves(func() (float64, float64) { return 0.01, -0.01 }),
	} {
		g, err := ByANOVA(table, 2.54, 1)
		if err != nil {
			t.Fatal(err)
		}
		if text := said(g.Follows()); g.Few() || !strings.Contains(text, want) {
			t.Errorf("want %q: %s", want, text)
		}
	}
}

// additive is a study in which everybody gauges every part alike, but for a step of
// his own, in tenths of a µm about base: there is no interaction at all. What repeats
// differ by is the same everywhere.
func additive(base float64, parts, operators, trials []float64) Table {
	var table Table
	for i, p := range parts {
		table.Parts = append(table.Parts, fmt.Sprint(i+1))
		var row [][]float64
		for _, o := range operators {
			var cell []float64
			for _, r := range trials {
				cell = append(cell, (math.Round(10*base)+p+o+r)/10)
			}
			row = append(row, cell)
		}
		table.Values = append(table.Values, row)
	}
	for j := range operators {
		table.Operators = append(table.Operators, fmt.Sprint(j+1))
	}
	return table
}

// No interaction is a sum of squares of 0, and neither is what rounding leaves of it
// taken for one; so it is of people and parts that don't differ. Half a nanometre at a
// single place is an interaction, however small beside the rest and the size.
func TestNoInteractionIsNone(t *testing.T) {
	parts, people, repeats := []float64{-31, -17, -9, -4, 3, 8, 11, 22, 26, 37}, []float64{0, 3, -7}, []float64{-1, 2, 0}
	none := make([]float64, 10)
	for _, base := range []float64{0, 3.3, 22230.1, 199999.9, 1e6 / 3} {
		for name, c := range map[string]struct {
			table Table
			zero  []int // rows that are 0
		}{
			"interaction": {additive(base, parts, people, repeats), []int{2}},
			"people":      {additive(base, parts, none[:3], repeats), []int{0, 2}},
			"parts":       {additive(base, none, people, repeats), []int{1, 2}},
			"repeats":     {additive(base, parts, people, none[:3]), []int{2, 3, 4}},
			"two people":  {additive(base, parts[:5], people[:2], repeats[:2]), []int{2}},
		} {
			g, err := ByANOVA(c.table, 0, PoolAbove)
			if err != nil {
				t.Fatal(err)
			}
			for i, r := range g.Rows {
				if slices.Contains(c.zero, i) != (r.SS == 0) || slices.Contains(c.zero, i) != (r.MS == 0) {
					t.Errorf("%s at %v: %s has a sum of squares of %g", name, base, r.Source, r.SS)
				}
			}
			if !g.Pooled || g.Interaction.SD.Value != 0 {
				t.Errorf("%s at %v: pooled %v, interaction %v", name, base, g.Pooled, g.Interaction.SD)
			}
		}
		table := additive(base, parts, people, repeats)
		for k := range table.Values[4][1] {
			table.Values[4][1][k] += 0.0005
		}
		g, err := ByANOVA(table, 0, PoolAbove)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("half a nanometre at %v", base), g.Rows[2].SS, 3*0.0005*0.0005*(1-1./10)*(1-1./3), 1e-5)
	}
}

// Groups whose means are the same differ by nothing.
func TestOneWayOfEqualMeans(t *testing.T) {
	for _, base := range []float64{0, 3.3, 22230.1} {
		g, err := OneWay([][]float64{{base + .1, base + .2, base + .3}, {base + .2, base + .2}, {base + .3, base + .1}, {base, base + .2, base + .4}})
		if err != nil {
			t.Fatal(err)
		}
		if g.Between.SS != 0 || g.Within.SS < 0.11 || g.RSquared.Value != 0 || g.Between.P.Value != 1 {
			t.Errorf("at %v: %+v", base, g)
		}
	}
}
