package form

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

const um = analysis.Deviation(analysis.Micrometre)

// bore is readings of one round: depths in mm, and for each the deviations
// from 22.225 mm in µm at the angles, in degrees.
func bore(depths []float64, angles []int, deviations ...[]float64) (out []analysis.Reading) {
	for i, z := range depths {
		for k, d := range deviations[i] {
			l, err := analysis.FromMicrometres(d)
			if err != nil {
				panic(err)
			}
			out = append(out, analysis.Reading{
				Place: analysis.Place{Depth: analysis.Length(math.Round(z * float64(analysis.Millimetre))), Angle: analysis.Angle(angles[k]) * analysis.Degree},
				Size:  222_250_000 + l,
			})
		}
	}
	return out
}

// column is a bore read at one angle.
func column(depths []float64, deviations ...float64) []analysis.Reading {
	rows := make([][]float64, len(deviations))
	for i, d := range deviations {
		rows[i] = []float64{d}
	}
	return bore(depths, []int{0}, rows...)
}

func five(deviations ...float64) []analysis.Reading {
	return column([]float64{5, 15, 25, 35, 45}, deviations...)
}

var gauge = Options{Repeatability: um * 15 / 100, Step: um / 10, Face: "front"}

// kinds lists what was named, with its end and size: "taper front 2.5".
func kinds(r Result) (out []string) {
	for _, n := range r.Named {
		out = append(out, strings.Join(strings.Fields(fmt.Sprint(n.Kind, " ", n.Where, " ", analysis.Length(n.Size).Format(analysis.UM, 1))), " "))
	}
	return out
}

func µm(d analysis.Deviation) float64 { return analysis.Length(d).Micrometres() }

// A worked example of the trade (invented, recomputed): a bore of 22.225 mm at
// 6 to 54 mm deviates by -3.1 to -0.6 µm. Mean -1.84 µm, slope +74.4/1440 =
// +0.0517 µm/mm, taper 2.48 µm over 48 mm, tight at the front.
func TestWorkedExample(t *testing.T) {
	opt := gauge
	opt.Length = 60 * analysis.Millimetre
	r := Evaluate(column([]float64{6, 18, 30, 42, 54}, -3.1, -2.4, -1.9, -1.2, -0.6), opt)
	near(t, "mean", (r.Mean - 222_250_000).Micrometres(), -1.84, 5e-5)
	near(t, "µm per 100 mm", µm(r.Taper.Per100), 74.4/1440*100, 5e-5)
	near(t, "taper", µm(r.Taper.Value), 2.48, 5e-5)
	near(t, "over the bore", µm(r.Taper.Whole), 74.4/1440*60, 5e-5)
	near(t, "end to end", µm(r.Taper.EndToEnd), 2.5, 5e-5)
	// One tenth per inch is 2.54 µm in 25.4 mm.
	near(t, "tenths per inch", r.Taper.TenthsPerInch(), 74.4/1440*25.4/2.54, 5e-5)
	// u = 48 s/√1440, of one reading a section.
	near(t, "u", µm(r.Taper.U), 0.15*48/math.Sqrt(1440), 5e-5)
	if r.Taper.Over != 48*analysis.Millimetre || r.Taper.Tight != "front" {
		t.Errorf("over %s, tight at the %s", r.Taper.Over, r.Taper.Tight)
	}
	if got := kinds(r); !slices.Equal(got, []string{"taper front 2.5"}) {
		t.Errorf("named %q", got)
	}
	if got := spoken(r)[0]; got != "⟦form.taper ⟦where.at.front⟧ 2.5 µm 48 mm⟧" {
		t.Errorf("said %q", got)
	}
	if r.Smallest.Size != 222_219_000 || r.Largest.Size != 222_244_000 || r.Variation != 25_000 ||
		r.Smallest.Depth != 6*analysis.Millimetre || r.Largest.Depth != 54*analysis.Millimetre {
		t.Errorf("extremes %+v %+v", r.Smallest, r.Largest)
	}
}

// profiles is testdata/form/bore_profiles.json: exact arithmetic, mm.
type profiles struct {
	Profiles map[string]struct {
		Z         []float64 `json:"z_mm"`
		D         []float64 `json:"d_mm"`
		Mean      float64   `json:"mean"`
		Slope     float64   `json:"slope_mm_per_mm"`
		Taper     float64   `json:"taper_over_span_mm(40)"`
		Residual  float64   `json:"residual_range_mm(generatrix straightness on diameter)"`
		SD        float64   `json:"residual_sd_n-2"`
		Quadratic float64   `json:"quadratic_contrast"`
		EndToEnd  float64   `json:"end_to_end"`
	}
}

func TestReferenceProfiles(t *testing.T) {
	b, err := os.ReadFile("../../testdata/form/bore_profiles.json")
	if err != nil {
		t.Fatal(err)
	}
	var all profiles
	if err := json.Unmarshal(b, &all); err != nil {
		t.Fatal(err)
	}
	names := map[string][]string{
		"straight":                  nil,
		"taper_open_at_far_end":     {"taper front 8.0"},
		"bell_mouth_both_ends_open": {"bell_mouth front 6.0", "bell_mouth back 6.0"},
		"barrel_middle_big":         {"barrel 4.0"},
		"waist_middle_small":        {"waist 6.3"},
		"bell_mouth_one_end":        {"bell_mouth back 5.0"},
	}
	if len(all.Profiles) != len(names) {
		t.Fatalf("%d profiles", len(all.Profiles))
	}
	for name, want := range all.Profiles {
		t.Run(name, func(t *testing.T) {
			const tol = 1e-12 // mm, as given with them
			var line Line
			p := &profile{}
			for i, z := range want.Z {
				line.Add(z, want.D[i])
				p.sections = append(p.sections, section{z: z - 25, mean: want.D[i]})
			}
			near(t, "slope", line.Slope(), want.Slope, tol)
			near(t, "mean", line.At(25), want.Mean, tol)
			near(t, "taper", line.At(45)-line.At(5), want.Taper, tol)
			sd, _, _, ok := line.Scatter(0)
			near(t, "residual sd", sd, want.SD, tol)
			low, high := math.Inf(1), math.Inf(-1)
			for i, z := range want.Z {
				low, high = min(low, want.D[i]-line.At(z)), max(high, want.D[i]-line.At(z))
			}
			near(t, "residual range", high-low, want.Residual, tol)
			c := make([]float64, 5)
			p.slope(c, 0, 5)
			v, _ := p.contrast(c)
			near(t, "slope as a contrast", v, want.Slope, tol)
			sum := p.quadratic(c)
			v, _ = p.contrast(c)
			near(t, "quadratic", v/sum*100, want.Quadratic, tol) // per (10 mm)²
			if !ok {
				t.Error("no scatter of five points")
			}

			var readings []analysis.Reading
			for i, z := range want.Z {
				readings = append(readings, column([]float64{z}, math.Round(want.D[i]*1e6)/1e3-22225)...)
			}
			r := Evaluate(readings, gauge)
			near(t, "taper, µm", µm(r.Taper.Value), want.Taper*micro, 5.1e-5)
			near(t, "barrel, µm", µm(r.Barrel.Value), -4*want.Quadratic*micro, 5.1e-5)
			near(t, "least-squares straightness, µm", µm(r.Straightness.LeastSquares), want.Residual*micro, 1.01e-4)
			near(t, "end to end, µm", µm(r.Taper.EndToEnd), want.EndToEnd*micro, 5.1e-5)
			if r.Straightness.Value > r.Straightness.LeastSquares {
				t.Errorf("minimum zone %v above least squares %v", r.Straightness.Value, r.Straightness.LeastSquares)
			}
			if got := kinds(r); !slices.Equal(got, names[name]) {
				t.Errorf("named %q, want %q", got, names[name])
			}
		})
	}
}

// What a section pattern is called, from the definitions of the trade.
func TestNames(t *testing.T) {
	uneven := []float64{5, 20, 30, 60}
	for _, c := range []struct {
		what     string
		readings []analysis.Reading
		want     []string
		say      string
	}{
		{"one depth", column([]float64{5}, 0), nil, "⟦form.taper_not_known ⟦form.why.second_depth⟧⟧"},
		{"two depths", column([]float64{5, 45}, 0, -2), []string{"taper back 2.0"}, "⟦form.taper ⟦where.at.back⟧ 2.0 µm 40 mm⟧"},
		{"two the same", column([]float64{5, 45}, 0, 0), nil, "⟦form.no_taper 0.4 µm ⟦form.why.third_depth_barrel⟧⟧"},
		{"within the gauge", column([]float64{5, 25, 45}, 0, 0.2, 0.1), nil, "⟦form.straight 0.4 µm⟧"},
		{"three depths, big in the middle", column([]float64{5, 25, 45}, 0, 3, 0), []string{"barrel 3.0"}, "⟦form.barrel 3.0 µm⟧"},
		{"three depths, small in the middle", column([]float64{5, 25, 45}, 3, 0, 3), []string{"open_ends 3.0"}, "⟦form.open_ends_three 3.0 µm⟧"},
		{"four depths, both ends open", column([]float64{5, 15, 25, 35}, 3, 0, 0, 3), []string{"open_ends 3.4"}, "⟦form.open_ends 3.4 µm⟧"},
		{"four depths, one end open", column([]float64{5, 15, 25, 35}, 4, 0, 0, 0), []string{"bell_mouth front 4.0"}, "⟦form.bell_mouth ⟦where.at.front⟧ 4.0 µm⟧"},
		{"one end tight", five(0, 0, 0, 0, -5), []string{"tight_end back 5.0"}, "⟦form.tight_end ⟦where.at.back⟧ 5.0 µm⟧"},
		{"mixed", five(0, 5, 8, 9, 8), []string{"taper front 8.0", "barrel 4.0"}, "⟦form.mixed⟧"},
		{"both ends open", five(8, 1, 0, 1, 8), []string{"bell_mouth front 6.0", "bell_mouth back 6.0"}, "⟦form.bell_mouth ⟦where.at.front⟧ 6.0 µm⟧ ⟦form.bell_mouth ⟦where.at.back⟧ 6.0 µm⟧ ⟦form.oval_not_known "},
		// d = z²/100: slope 1095.3/1618.75 by least squares over 55 mm, sag 27.5²/100.
		{"uneven parabola", column(uneven, 0.25, 4, 9, 36), []string{"taper front 37.2", "open_ends 7.6"}, "⟦form.open_ends 7.6 µm⟧"},
		// The same with one more depth: 1197.5/1830 over 55 mm.
		{"uneven parabola of five", column([]float64{5, 20, 30, 45, 60}, 0.25, 4, 9, 20.25, 36), []string{"taper front 36.0", "waist 7.6"}, "⟦form.waist 7.6 µm⟧"},
		{"uneven line", column(uneven, 0.5, 2, 3, 6), []string{"taper front 5.5"}, "⟦form.taper ⟦where.at.front⟧ 5.5 µm 55 mm⟧"},
	} {
		r := Evaluate(c.readings, gauge)
		if got := kinds(r); !slices.Equal(got, c.want) {
			t.Errorf("%s: named %q, want %q", c.what, got, c.want)
		}
		if said := strings.Join(spoken(r), " "); !strings.Contains(said, c.say) {
			t.Errorf("%s: said %q, want %q", c.what, said, c.say)
		}
	}
}

// Bores of an invented shop, as honed round by round (sizes in mm, mean of two
// or three angles), and what a toolmaker would call them.
func TestNamesOfHonedBores(t *testing.T) {
	bush, blind := []float64{4, 13, 25, 34}, []float64{5, 16, 28, 40, 49}
	tube, sleeve := []float64{10, 65, 127, 190, 244}, []float64{5, 32, 58}
	for _, c := range []struct {
		depths, sizes []float64
		want          []string
	}{
		{bush, []float64{22.1597, 22.16255, 22.16455, 22.1675}, []string{"taper front 7.4"}},
		{bush, []float64{22.2065, 22.2070, 22.2091, 22.2097}, []string{"taper front 3.5"}},
		{bush, []float64{22.22975, 22.22825, 22.2301, 22.2291}, []string{"uneven 1.7"}},
		{sleeve, []float64{31.72625, 31.7250, 31.7242}, []string{"taper back 2.1"}},
		{sleeve, []float64{31.75065, 31.7505, 31.7508}, nil},
		{blind, []float64{15.84985, 15.8488, 15.8478, 15.8459, 15.84285}, []string{"taper back 3.9", "tight_end back 1.6"}},
		{blind, []float64{15.87045, 15.8684, 15.86745, 15.86545, 15.8595}, []string{"taper back 4.8", "tight_end back 4.5"}},
		{blind, []float64{15.87855, 15.87745, 15.8774, 15.8774, 15.87635}, []string{"bell_mouth front 1.1", "tight_end back 1.1"}},
		{tube, []float64{44.4125, 44.40757, 44.40353, 44.40747, 44.41253}, []string{"waist 8.2"}},
		{tube, []float64{44.45843, 44.4609, 44.46057, 44.46087, 44.45837}, []string{"barrel 2.7"}},
	} {
		d := make([]float64, len(c.sizes))
		for i, s := range c.sizes {
			d[i] = math.Round((s-22.225)*1e7) / 1e4
		}
		opt := gauge
		opt.Repeatability = um * 106 / 1000 // of a mean of two with 0.15
		if got := kinds(Evaluate(column(c.depths, d...), opt)); !slices.Equal(got, c.want) {
			t.Errorf("%v: named %q, want %q", c.sizes, got, c.want)
		}
	}
}

// Thresholds of the trade: with n readings a section and three depths, T of the
// taper is 2 s √(2/n), of the middle against the ends 2 s √(1.5/n); with s 0.15
// and n 2, 0.30 and 0.26 µm; never below the display step.
func TestThresholds(t *testing.T) {
	flat := bore([]float64{5, 25, 45}, []int{0, 90}, []float64{0, 0}, []float64{0, 0}, []float64{0, 0})
	r := Evaluate(flat, gauge)
	near(t, "T of taper", µm(r.Taper.Threshold), 0.30, 5e-5)
	near(t, "T of barrel", µm(r.Barrel.Threshold), 0.2598, 5e-5)
	near(t, "u of a section", µm(r.Sections[0].U), 0.15/math.Sqrt2, 5e-5)
	near(t, "T of out-of-round", µm(r.OutOfRound.Threshold), 0.45, 5e-5)
	coarse := gauge
	coarse.Step = um
	if r := Evaluate(flat, coarse); r.Taper.Threshold != um || r.OutOfRound.Threshold != um {
		t.Errorf("with a step of 1 µm: %v, %v", r.Taper.Threshold, r.OutOfRound.Threshold)
	}
	// The readings' own uncertainty serves if no repeatability is given.
	for i := range flat {
		flat[i].U = um * 3 / 10
	}
	if r := Evaluate(flat, Options{}); r.Repeatability != um*3/10 {
		t.Errorf("repeatability from readings: %v", r.Repeatability)
	}
	// With neither, nothing is named, and it is said.
	r = Evaluate(five(0, 9, 0, 9, 20), Options{})
	if len(r.Named) != 0 || !r.Taper.Usable || spoken(r)[0] != "⟦form.not_judged⟧" {
		t.Errorf("unknown repeatability: %v, %q", r.Named, spoken(r))
	}
}

// Of noise alone, the gauge names an error along the bore in about one case in
// twenty for each that it looks for, and the uncertainties are those found.
func TestNoiseIsNotNamed(t *testing.T) {
	rnd := rand.New(rand.NewPCG(4, 2))
	const trials = 4000
	var taper, barrel, flare, along, round int
	var sum float64
	for range trials {
		rows := make([][]float64, 5)
		for i := range rows {
			rows[i] = []float64{0.15 * rnd.NormFloat64(), 0.15 * rnd.NormFloat64()}
		}
		r := Evaluate(bore([]float64{5, 12, 25, 40, 45}, []int{0, 90}, rows...), Options{Repeatability: um * 15 / 100})
		for _, a := range []struct {
			Amount
			n *int
		}{{r.Taper.Amount, &taper}, {r.Barrel, &barrel}, {r.FrontFlare, &flare}} {
			if a.Significant {
				*a.n++
			}
		}
		for _, n := range r.Named {
			if n.Kind == KindOval || n.Kind == KindOutOfRound {
				round++
			} else {
				along++
			}
		}
		sum += µm(r.Barrel.Value) * µm(r.Barrel.Value) / µm(r.Barrel.U) / µm(r.Barrel.U)
	}
	for what, n := range map[string]int{"taper": taper, "barrel": barrel, "flare": flare} {
		near(t, what+" of nothing", float64(n)/trials, 0.0455, 0.012)
	}
	near(t, "(barrel/u)²", sum/trials, 1, 0.1)
	if along > trials*15/100 || round > trials*20/100 {
		t.Errorf("of %d bores without error, %d were named along and %d about the axis", trials, along, round)
	}
}

// An error of 3 µm under noise of 0.15 µm is named for what it is, and for
// nothing else, nine times in ten or more.
func TestErrorsAreNamedThroughNoise(t *testing.T) {
	depths := []float64{5, 15, 25, 35, 45}
	for _, c := range []struct {
		want string
		d    []float64
	}{
		{"[taper/front]", []float64{0, 0.75, 1.5, 2.25, 3}},
		{"[taper/back]", []float64{3, 2.25, 1.5, 0.75, 0}},
		{"[barrel/]", []float64{0, 2.25, 3, 2.25, 0}},
		{"[waist/]", []float64{3, 0.75, 0, 0.75, 3}},
		{"[bell_mouth/front]", []float64{3, 0, 0, 0, 0}},
		{"[bell_mouth/back]", []float64{0, 0, 0, 0, 3}},
		{"[bell_mouth/front bell_mouth/back]", []float64{3, 0, 0, 0, 3}},
		{"[tight_end/back]", []float64{0, 0, 0, 0, -3}},
		{"[taper/front bell_mouth/front]", []float64{2, 0.6, 1.4, 2.2, 3}},
		{"[taper/back barrel/]", []float64{3, 4.5, 4.5, 3, 0}},
		{"[]", []float64{0, 0, 0, 0, 0}},
	} {
		rnd := rand.New(rand.NewPCG(5, 5))
		const trials = 400
		right := 0
		for range trials {
			rows := make([][]float64, 5)
			for i, v := range c.d {
				rows[i] = []float64{v + 0.15*rnd.NormFloat64(), v + 0.15*rnd.NormFloat64()}
			}
			var got []string
			for _, n := range Evaluate(bore(depths, []int{0, 90}, rows...), gauge).Named {
				if n.Kind != KindOval && n.Kind != KindOutOfRound {
					got = append(got, string(n.Kind)+"/"+n.Where)
				}
			}
			if fmt.Sprint(got) == c.want {
				right++
			}
		}
		if right < trials*90/100 {
			t.Errorf("%s named %d times of %d", c.want, right, trials)
		}
	}
}

// Not usable says so, with what to do; nothing is NaN, whatever comes in.
func TestMissingReadings(t *testing.T) {
	r := Evaluate(nil, gauge)
	if r.Smallest != nil || r.Taper.Usable || r.Oval.Usable || len(spoken(r)) != 1 {
		t.Errorf("nothing: %+v", r)
	}
	for n := 1; n <= 3; n++ {
		r := Evaluate(column([]float64{5, 25, 45}[:n], []float64{0, 1, 5}[:n]...), gauge)
		for what, c := range map[string]struct {
			Amount
			want int
		}{"taper": {r.Taper.Amount, 2}, "barrel": {r.Barrel, 3}, "flare": {r.FrontFlare, 4}, "straightness": {r.Straightness.Amount, 3}} {
			if c.Usable != (n >= c.want) || c.Usable == !c.Why.IsZero() || c.N != n {
				t.Errorf("%d depths: %s %+v", n, what, c.Amount)
			}
		}
	}
	wild := five(0, 1, 2, 3, 4)
	wild[0].Size, wild[1].Size, wild[2].Depth = math.MaxInt64/4, math.MinInt64/4, wild[3].Depth+1
	if b, err := json.Marshal(Evaluate(wild, gauge)); err != nil || strings.Contains(string(b), "NaN") {
		t.Errorf("%s, %v", b, err)
	}
}

// A front gauged across the oval only would pass for a taper; its uncertainty
// takes up the oval seen elsewhere.
func TestOtherAnglesAreAllowedFor(t *testing.T) {
	full := []float64{3, -3}
	r := Evaluate(bore([]float64{5, 25, 45}, []int{0, 90}, []float64{3}, full, full), gauge)
	if !r.Unbalanced || r.Taper.Significant || µm(r.Taper.U) < 1 {
		t.Errorf("taper %+v, unbalanced %v", r.Taper, r.Unbalanced)
	}
	// All across the oval: it moves every section alike.
	r = Evaluate(bore([]float64{5, 25, 45}, []int{0}, []float64{3}, []float64{3}, []float64{3}), gauge)
	if r.Unbalanced {
		t.Error("one angle everywhere is unbalanced")
	}
	// Each section at an angle of its own: taper and oval can't be parted.
	spiral := append(column([]float64{5}, 3), bore([]float64{45}, []int{90}, []float64{-3})...)
	if r = Evaluate(spiral, gauge); r.Taper.Usable || r.Taper.Why.Code != "form.why.same_angles" {
		t.Errorf("spiral: %+v", r.Taper)
	}
}

func TestEndsByTheirNames(t *testing.T) {
	for _, c := range []struct{ face, far, tightShallow, tightDeep, where string }{
		{"", "", "front", "back", "⟦where.at.back⟧"}, {"back", "", "back", "front", "⟦where.at.front⟧"}, {"top", "", "top", "bottom", "⟦where.at.bottom⟧"},
		{"flange", "", "flange", "far end", "⟦where.at.far end⟧"}, {"front", "bottom", "front", "bottom", "⟦where.at.bottom⟧"},
	} {
		opt := gauge
		opt.Face, opt.Far = c.face, c.far
		shallow, deep := Evaluate(five(0, 1, 2, 3, 4), opt), Evaluate(five(4, 3, 2, 1, 0), opt)
		if shallow.Taper.Tight != c.tightShallow || deep.Taper.Tight != c.tightDeep {
			t.Errorf("%+v: %q, %q", c, shallow.Taper.Tight, deep.Taper.Tight)
		}
		if spoken(deep)[0] != "⟦form.taper "+c.where+" 4.0 µm 40 mm⟧" {
			t.Errorf("%+v: %q", c, spoken(deep))
		}
	}
}

// What is said of the errors about the axis, and with none.
func TestSaidAboutTheAxis(t *testing.T) {
	three := []int{0, 60, 120}
	for _, c := range []struct {
		kind   GaugeKind
		angles []int
		d      []float64
		want   string
	}{
		{TwoPoint, []int{0}, []float64{0}, "⟦form.oval_not_known ⟦form.why.second_angle_each⟧⟧"},
		{TwoPoint, []int{0, 90}, []float64{0, 0}, "⟦form.no_oval_at_two 0.5 µm⟧"},
		{TwoPoint, three, []float64{0, 0, 0}, "⟦form.no_oval 0.7 µm⟧"},
		{TwoPoint, three, []float64{4, -2, -2}, "⟦form.oval 8.0 µm 10 mm 0°⟧"},
		{TwoPoint, []int{0, 45, 90, 135}, []float64{2, -2, 2, -2}, "⟦form.out_of_round ⟦form.gauge.two_point⟧ 4.0 µm 10 mm⟧"},
		{SelfCentring, three, []float64{0, 0, 0}, "⟦form.no_out_of_round ⟦form.gauge.three_contact⟧ 0.5 µm⟧"},
		{SelfCentring, three, []float64{4, -2, -2}, "⟦form.out_of_round ⟦form.gauge.three_contact⟧ 6.0 µm 10 mm⟧"},
	} {
		opt := gauge
		opt.Gauge = c.kind
		said := spoken(Evaluate(bore([]float64{10}, c.angles, c.d), opt))
		if !slices.Contains(said, c.want) || !strings.HasPrefix(said[len(said)-1], "⟦form.blind.") {
			t.Errorf("said %q, want %q", said, c.want)
		}
	}
}

// The least zone by all pairs of sections and the one farthest from their line.
func TestStraightnessEqualsBruteForce(t *testing.T) {
	rnd := rand.New(rand.NewPCG(6, 6))
	for range 300 {
		depths, d := []float64{3}, []float64{0}
		for range 2 + rnd.IntN(10) {
			depths = append(depths, depths[len(depths)-1]+1+float64(rnd.IntN(9)))
			d = append(d, math.Round(rnd.NormFloat64()*20)/10)
		}
		best := math.Inf(1)
		for i := range d {
			for j := range i {
				low, high := 0.0, 0.0
				for k := range d {
					off := d[k] - d[i] - (d[j]-d[i])/(depths[j]-depths[i])*(depths[k]-depths[i])
					low, high = min(low, off), max(high, off)
				}
				best = min(best, high-low)
			}
		}
		r := Evaluate(column(depths, d...), gauge)
		near(t, "minimum zone", µm(r.Straightness.Value), best, 5.1e-5)
	}
}

// The record on the wire: names with units, µm and mm, and it comes back.
func TestResultOnTheWire(t *testing.T) {
	r := Evaluate(bore([]float64{5, 15, 25, 35, 45}, []int{0, 60, 120}, []float64{1, 2, 3}, []float64{2, 3, 4}, []float64{2, 2, 2}, []float64{1, 4, 3}, []float64{9, 8, 7}), gauge)
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var back Result
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	again, err := json.Marshal(back)
	if err != nil || string(again) != string(b) {
		t.Errorf("came back as %s, %v", again, err)
	}
	name := regexp.MustCompile(`"([^"]*)":`)
	for _, m := range name.FindAllStringSubmatch(string(b), -1) {
		if !regexp.MustCompile(`^[a-z0-9]+(_[a-z0-9]+)*$`).MatchString(m[1]) {
			t.Errorf("name %q", m[1])
		}
	}
	for _, want := range []string{`"value_um":`, `"over_mm":40`, `"gauge":"two-point"`, `"min_mm":22.226`} {
		if !strings.Contains(string(b), want) {
			t.Errorf("no %s in %s", want, b)
		}
	}
	empty, _ := json.Marshal(Evaluate(nil, gauge))
	if !strings.Contains(string(empty), `"sections":[],`) || !strings.Contains(string(empty), `"named":[]`) {
		t.Errorf("%s", empty)
	}
}

func BenchmarkEvaluate(b *testing.B) {
	rnd := rand.New(rand.NewPCG(1, 1))
	for name, n := range map[string]int{"10x10": 10, "100x1": 1} {
		var readings []analysis.Reading
		for i := range 100 {
			readings = append(readings, analysis.Reading{
				Place: analysis.Place{Depth: analysis.Length(i/n) * analysis.Millimetre, Angle: analysis.Angle(i%n) * 18 * analysis.Degree},
				Size:  222_250_000 + analysis.Length(rnd.IntN(50_000)),
			})
		}
		rnd.Shuffle(len(readings), func(i, j int) { readings[i], readings[j] = readings[j], readings[i] })
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if r := Evaluate(readings, gauge); len(r.Sections) == 0 {
					b.Fatal("no sections")
				}
			}
		})
	}
}

// spoken is what a result says by its codes, in mm and µm.
func spoken(r Result) (texts []string) {
	for _, p := range r.Phrases() {
		texts = append(texts, coded(p))
	}
	return texts
}

// coded is a phrase by its code and its values, in mm and µm.
func coded(p analysis.Phrase) string { return notation.Format{Language: notation.Codes()}.Say(p) }
