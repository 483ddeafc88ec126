package uncertainty

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const micron = analysis.Deviation(analysis.Micrometre)

// sleeve is a hardened sleeve gauged to 50 millionths (invented): ring U 0.25
// at k = 2, repeat 0.15/√3, drift ±0.30, part against ring ±1 K, contact 0.05.
func sleeve() BoreInput {
	return BoreInput{
		Size: 317_500_000, RingU: micron / 4, Repeat: 15 * micron / 100, Readings: 3,
		Drift: 3 * micron / 10, Contact: micron / 20, PartWithin: analysis.Celsius,
		Ring: Expansion{Alpha: 11.5}, Part: Expansion{Alpha: 11.5},
	}
}

func TestBore_Sleeve(t *testing.T) {
	b, err := Bore(sleeve())
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]float64{ComponentRing: 0.125, ComponentRepeat: 0.087, ComponentDrift: 0.173, ComponentApart: 0.211, ComponentContact: 0.05} {
		if got := um(line(t, b, name).Contribution); math.Abs(got-want) > 0.0005 {
			t.Errorf("%s: %.4f µm, want %.3f", name, got, want)
		}
	}
	if u := um(b.Standard); math.Abs(u-0.316) > 0.0005 {
		t.Errorf("u = %.4f µm, want 0.316", u)
	}
	if U := um(b.Expanded); math.Abs(U-0.63) > 0.005 || b.K != 2 || b.Freedom != 0 {
		t.Errorf("U = %.4f µm with k = %v, want 0.63 with 2", U, b.K)
	}
	share := 0.0
	for _, l := range b.Components {
		share += l.Share
	}
	if math.Abs(share-100) > 1e-9 {
		t.Errorf("the shares add up to %v %%", share)
	}
}

func line(t *testing.T, b Budget, name string) Component {
	t.Helper()
	for _, l := range b.Components {
		if l.Name == name {
			return l
		}
	}
	t.Fatalf("no line %q", name)
	return Component{}
}

func TestTable(t *testing.T) {
	in := sleeve()
	in.Master, in.RepeatFreedom, in.Ring.U, in.Part.U, in.RingWithin, in.SameMaterial = 3, 14, 0.6, 0.6, 2*analysis.Celsius, 0.5
	b, err := Bore(in)
	if err != nil {
		t.Fatal(err)
	}
	got := "line,u,sensitivity,contribution,share,basis\n"
	for _, l := range b.Components {
		got += fmt.Sprintf("%s,%.3g,%.3g,%s,%.0f,%s\n", l.Name, l.Standard, l.Sensitivity, analysis.Length(l.Contribution).Format(analysis.UM, 3), l.Share, l.Basis)
	}
	for _, p := range b.Products {
		got += fmt.Sprintf("%s × %s,,,%.3f,,\n", p.A, p.B, um(p.Contribution))
	}
	got += notation.Format{Full: true, Language: notation.Codes()}.Say(b.Stated.Say()) + "\n"
	const file = "../../testdata/uncertainty/sleeve/budget.csv"
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestBudget_JSON(t *testing.T) {
	b, err := Bore(sleeve())
	if err != nil {
		t.Fatal(err)
	}
	data, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	var back Budget
	if err := json.Unmarshal(data, &back); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(b, back) {
		t.Errorf("%+v\ncame back as\n%+v", b, back)
	}
	for _, want := range []string{`"expanded_um":0.6327`, `"contribution_um":0.125`, `"coverage_factor":2`} {
		if !strings.Contains(string(data), want) {
			t.Errorf("%s is not in %s", want, data)
		}
	}
}

// TestBore_FirstOrderTerms holds the sensitivities against differences of the
// exact model (geometry of expansion).
func TestBore_FirstOrderTerms(t *testing.T) {
	in := sleeve()
	in.Ring, in.Part = Expansion{11.5, 0.6}, Expansion{18, 0.6}
	in.RingFrom20, in.PartFromRing, in.RingWithin = 3*analysis.Celsius, 2*analysis.Celsius, analysis.Celsius
	b, err := Bore(in)
	if err != nil {
		t.Fatal(err)
	}
	d := in.Size.Micrometres()
	size := func(aP, aR, thetaR, apart float64) float64 {
		gauged := d * (1 + 1e-6*18*5) / (1 + 1e-6*11.5*3)
		return gauged * (1 + 1e-6*aR*thetaR) / (1 + 1e-6*aP*(thetaR+apart))
	}
	const h = 1e-3
	for name, slope := range map[string]float64{
		ComponentPartAlpha: (size(18+h, 11.5, 3, 2) - size(18-h, 11.5, 3, 2)) / (2 * h),
		ComponentRingAlpha: (size(18, 11.5+h, 3, 2) - size(18, 11.5-h, 3, 2)) / (2 * h),
		ComponentFrom20:    (size(18, 11.5, 3+h, 2) - size(18, 11.5, 3-h, 2)) / (2 * h),
		ComponentApart:     (size(18, 11.5, 3, 2+h) - size(18, 11.5, 3, 2-h)) / (2 * h),
	} {
		if c := line(t, b, name).Sensitivity; math.Abs(c-slope) > 2e-4*math.Abs(slope) {
			t.Errorf("%s: sensitivity %v, slope of the model %v", name, c, slope)
		}
	}
}

func TestBore_Capture(t *testing.T) {
	in := sleeve()
	in.Capture = micron / 2
	b, err := Bore(in)
	if err != nil {
		t.Fatal(err)
	}
	if l := line(t, b, ComponentCapture); l.Contribution != micron/2 {
		t.Errorf("a poor capture counts %d", l.Contribution)
	}
	in.Capture = micron / 100 // a capture better than the gauge repeats doesn't count
	if b, err = Bore(in); err != nil || line(t, b, ComponentRepeat).Contribution != 866 {
		t.Errorf("a fine capture: %v, %v", b.Components, err)
	}
	in.Master = 1 // s √(1/3 + 1/1)
	if b, err = Bore(in); err != nil || line(t, b, ComponentRepeat).Contribution != 1732 {
		t.Errorf("with a zero set by one reading: %v, %v", b.Components, err)
	}
}

func TestDifference(t *testing.T) {
	// s √2 of two single readings, and a part warmer at one end: D α ΔT.
	b, err := Difference(DifferenceInput{Size: 317_500_000, Repeat: 15 * micron / 100, Readings: 1, Part: Expansion{Alpha: 11.5}, Along: analysis.Celsius})
	if err != nil {
		t.Fatal(err)
	}
	want := math.Hypot(0.15*math.Sqrt2, 31750*11.5e-6/math.Sqrt(3))
	if u := um(b.Standard); math.Abs(u-want) > 0.0002 {
		t.Errorf("u = %.4f µm, want %.4f", u, want)
	}
}

// A gain that is off stretches a difference in proportion: 10 µm by a gain known to
// 2 % (standard) is in doubt by 0.2 µm; what the gauge's scatter adds is the same. The
// Monte Carlo draws gain and values, and takes their difference, which is not linear.
func TestDifference_Gain(t *testing.T) {
	in := DifferenceInput{Size: 317_500_000, Repeat: 15 * micron / 100, Readings: 1, GainU: 0.02, Apart: 10 * analysis.Micrometre}
	b, err := Difference(in)
	if err != nil {
		t.Fatal(err)
	}
	if l := line(t, b, ComponentGain); l.Contribution != 2000 || l.Unit != "1" || l.Sensitivity != 10 {
		t.Errorf("the line of the gain: %+v", l)
	}
	r := rand.New(rand.NewPCG(3, 1))
	ys := make([]float64, 200_000)
	for i := range ys {
		gain := 1 + 0.02*r.NormFloat64()
		large, small := 10+0.15*r.NormFloat64(), 0.15*r.NormFloat64()
		ys[i] = gain*large - gain*small
	}
	mean, sd := moments(ys)
	if d := tolerance(sd, 2); math.Abs(sd-um(b.Standard)) > d || math.Abs(mean-10) > d {
		t.Errorf("u = %.4f µm, Monte Carlo %.4f about %.4f", um(b.Standard), sd, mean)
	}
	for name, spoil := range map[string]func(*DifferenceInput){
		"no size": func(in *DifferenceInput) { in.Size = 0 }, "no repeatability": func(in *DifferenceInput) { in.Repeat = 0 },
		"negative gain": func(in *DifferenceInput) { in.GainU = -1 }, "no number": func(in *DifferenceInput) { in.GainU = math.NaN() },
		"negative difference": func(in *DifferenceInput) { in.Apart = -1 }, "negative cooling": func(in *DifferenceInput) { in.Cooling = -1 },
	} {
		bad := in
		spoil(&bad)
		if b, err := Difference(bad); err == nil {
			t.Errorf("%s: accepted as %v", name, b.Stated)
		}
	}
}

func TestBore_Refuses(t *testing.T) {
	for name, spoil := range map[string]func(*BoreInput){
		"no size":             func(in *BoreInput) { in.Size = 0 },
		"no ring uncertainty": func(in *BoreInput) { in.RingU = 0 },
		"no repeatability":    func(in *BoreInput) { in.Repeat = 0 },
		"no readings":         func(in *BoreInput) { in.Readings = 0 },
		"negative drift":      func(in *BoreInput) { in.Drift = -1 },
		"negative limits":     func(in *BoreInput) { in.PartWithin = -1 },
		"alpha not a number":  func(in *BoreInput) { in.Part.Alpha = math.NaN() },
		"spread not a number": func(in *BoreInput) { in.Part.U = math.NaN() },
		"infinite k":          func(in *BoreInput) { in.RingK = math.Inf(1) },
		"impossible r":        func(in *BoreInput) { in.Part.U, in.Ring.U, in.SameMaterial = 1, 1, 1.5 },
	} {
		in := sleeve()
		spoil(&in)
		if b, err := Bore(in); err == nil {
			t.Errorf("%s: accepted as %v", name, b.Stated)
		}
	}
}

func TestModel_Refuses(t *testing.T) {
	ok := Component{Name: "a", Type: B, Distribution: Normal, Standard: 1, Sensitivity: 1}
	with := func(f func(*Component)) Component { l := ok; f(&l); return l }
	for name, m := range map[string]Model{
		"no lines":         {},
		"no name":          {Components: []Component{with(func(l *Component) { l.Name = "" })}},
		"twice":            {Components: []Component{ok, ok}},
		"no type":          {Components: []Component{with(func(l *Component) { l.Type = "" })}},
		"no shape":         {Components: []Component{with(func(l *Component) { l.Distribution = "" })}},
		"both widths":      {Components: []Component{with(func(l *Component) { l.HalfWidth = 1 })}},
		"t without dof":    {Components: []Component{with(func(l *Component) { l.Distribution = T })}},
		"huge":             {Components: []Component{with(func(l *Component) { l.Standard = 1e300 })}},
		"level":            {Components: []Component{ok}, Level: 1},
		"k":                {Components: []Component{ok}, FixedK: -2},
		"stranger":         {Components: []Component{ok}, Correlations: []Correlation{{"a", "b", 0.5}}},
		"product stranger": {Components: []Component{ok}, Products: []Product{{A: "a", B: "b"}}},
	} {
		if b, err := m.Budget(); err == nil {
			t.Errorf("%s: accepted as %v", name, b.Stated)
		}
	}
	c := with(func(l *Component) { l.Name = "c" })
	d := with(func(l *Component) { l.Name = "d" })
	m := Model{Components: []Component{ok, c, d}, Correlations: []Correlation{{"a", "c", -1}, {"c", "d", -1}, {"a", "d", -1}}}
	if _, err := m.Budget(); err == nil {
		t.Error("three inputs that are each other's opposite: accepted")
	}
}

func TestCorrelation(t *testing.T) {
	// JCGM 100:2008, 5.2.2, note 1: with r = 1 contributions add as numbers.
	m := Model{Components: []Component{
		{Name: "a", Type: A, Distribution: Normal, Standard: 3, Freedom: 9, Sensitivity: 1},
		{Name: "b", Type: B, Distribution: Normal, Standard: 4, Sensitivity: 1},
	}, Correlations: []Correlation{{"a", "b", 1}}}
	b, err := m.Budget()
	if err != nil || b.Standard != 7*micron || b.Freedom != 9 {
		t.Errorf("3 and 4 with r = 1: u = %v, %v degrees of freedom, %v; want 7 µm and 9", b.Standard, b.Freedom, err)
	}
	m.Correlations[0].R = 0
	if b, err = m.Budget(); err != nil || b.Standard != 5*micron {
		t.Errorf("3 and 4 with r = 0: u = %v, %v; want 5 µm", b.Standard, err)
	}
}

func TestDivisors(t *testing.T) {
	for d, want := range map[Distribution]float64{Rectangular: math.Sqrt(3), Triangular: math.Sqrt(6), UShaped: math.Sqrt2, Normal: 2} {
		m := Model{Components: []Component{{Name: "a", Type: B, Distribution: d, HalfWidth: 1, Sensitivity: 1}}}
		b, err := m.Budget()
		if err != nil || math.Abs(b.Components[0].Standard-1/want) > 1e-15 {
			t.Errorf("%s: u = %v, %v, want 1/%v", d, b.Components[0].Standard, err, want)
		}
	}
}

// More of any cause never makes the stated uncertainty less.
func TestBore_Monotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dev := rapid.Map(rapid.IntRange(1, 30_000), func(v int) analysis.Deviation { return analysis.Deviation(v) })
		deg := rapid.Map(rapid.IntRange(0, 5000), func(v int) analysis.Temperature { return analysis.Temperature(v) })
		in := BoreInput{Size: 222_250_000, RingU: dev.Draw(t, "ring"), Repeat: dev.Draw(t, "repeat"), Readings: rapid.IntRange(1, 5).Draw(t, "n"), Master: 3,
			Drift: dev.Draw(t, "drift"), Contact: dev.Draw(t, "contact"), Resolution: dev.Draw(t, "resolution"), Indentation: dev.Draw(t, "indentation"),
			Ring: Expansion{11.5, 0.6}, Part: Expansion{18, 0.6}, RingWithin: deg.Draw(t, "ring within"), PartWithin: deg.Draw(t, "part within"), PartFromRing: deg.Draw(t, "apart")}
		more := in
		switch rapid.IntRange(0, 8).Draw(t, "which") {
		case 0:
			more.RingU += 100
		case 1:
			more.Repeat += 100
		case 2:
			more.Drift += 100
		case 3:
			more.Contact += 100
		case 4:
			more.Resolution += 100
		case 5:
			more.Indentation += 100
		case 6:
			more.RingWithin += 100
		case 7:
			more.PartWithin += 100
		case 8:
			more.Cooling += 100
		}
		a, err := Bore(in)
		if err != nil {
			t.Fatal(err)
		}
		b, err := Bore(more)
		if err != nil {
			t.Fatal(err)
		}
		if b.Standard < a.Standard || b.Expanded < a.Expanded {
			t.Fatalf("from %v to %v with more uncertainty", a.Stated, b.Stated)
		}
	})
}

func BenchmarkBore(b *testing.B) {
	in := sleeve()
	in.Master, in.RepeatFreedom, in.Ring.U, in.Part.U, in.RingWithin = 3, 14, 0.6, 0.6, analysis.Celsius
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Bore(in); err != nil {
			b.Fatal(err)
		}
	}
}

// A gauge that averages over T ± 10 %, of which T is taken off, is played: ring and part
// are rocked at their own speeds, and what each is read too large by follows from its own
// speed and the one true T. The line has the scatter of the size, not counting the ring's
// speed twice; with both at one speed there is none.
func TestAveragingCancelsWithTheRing(t *testing.T) {
	const stated, part, ring = 0.1, 2200.0, 1500.0 // s, µm/s²
	q := stated * stated / 12
	in := BoreInput{Size: 31_750 * 10_000, RingU: 1, Repeat: 1, Readings: 1, Averaging: Averaging{Square: q, HalfWidth: 0.2 * q, Motion: part - ring, Basis: ByStatement}}
	b, err := Bore(in)
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(7, 17))
	off := make([]float64, 100_000)
	for i := range off {
		is := stated * (1 + 0.1*(2*r.Float64()-1))
		zero := -ring * (is*is/12 - q) // what the ring was read too large by is taken off each size
		off[i] = part*(is*is/12-q) + zero
	}
	l := line(t, b, ComponentAveraging)
	if _, sd := moments(off); math.Abs(um(l.Contribution)/sd-1) > 0.01 || l.Basis != ByStatement || l.Distribution != Rectangular {
		t.Errorf("%+v, played %.4f µm", l, sd)
	}
	in.Averaging.Motion = 0
	if b, err = Bore(in); err != nil || line(t, b, ComponentAveraging).Contribution != 0 {
		t.Errorf("at one speed: %+v, %v", b.Components, err)
	}
	in.Averaging.Motion = math.NaN()
	if _, err := Bore(in); err == nil {
		t.Error("a speed that is no number passes")
	}
	if _, err := Difference(DifferenceInput{Size: in.Size, Repeat: 1, Readings: 1, Averaging: Averaging{U: -1}}); err == nil {
		t.Error("an uncertainty below 0 passes")
	}
}

// How an input is known is said of each line, the usual where nothing else is.
func TestBasisOfLines(t *testing.T) {
	in := sleeve()
	in.Ring.U, in.Part.U = 0.6, 0.6
	in.Bases = map[string]Basis{ComponentRepeat: ByMeasurement, ComponentDrift: ByAssumption}
	in.Averaging = Averaging{U: 1e-4, Motion: 500, Basis: ByMeasurement}
	b, err := Bore(in)
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]Basis{ComponentRing: ByStatement, ComponentRepeat: ByMeasurement, ComponentDrift: ByAssumption, ComponentContact: ByStatement, ComponentPartAlpha: ByAssumption, ComponentAveraging: ByMeasurement} {
		if got := line(t, b, name).Basis; got != want {
			t.Errorf("%s is %s, want %s", name, got, want)
		}
	}
	if got := line(t, b, ComponentAveraging); got.Contribution != analysis.Deviation(analysis.Micrometre)/20 || got.Distribution != Normal {
		t.Errorf("%+v", got)
	}
	d, err := Difference(DifferenceInput{Size: in.Size, Repeat: 1500, Readings: 1, Bases: in.Bases, Averaging: in.Averaging})
	if err != nil || line(t, d, ComponentRepeat).Basis != ByMeasurement || line(t, d, ComponentAveraging).Basis != ByMeasurement {
		t.Errorf("%+v, %v", d.Components, err)
	}
}
