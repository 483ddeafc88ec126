package master

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

func parse(t testing.TB, s string) analysis.Length {
	t.Helper()
	l, err := analysis.ParseLength(s)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func lengths(t testing.TB, unit string, vs ...string) (ls []analysis.Length) {
	for _, v := range vs {
		ls = append(ls, parse(t, v+" "+unit))
	}
	return ls
}

var morning = time.Date(2026, 11, 25, 10, 5, 0, 0, time.UTC)

// The rings of the sleeve job (invented).
func r1250(t testing.TB) analysis.Ring {
	return analysis.Ring{ID: "R-1250", Size: parse(t, "31.74970 mm"), U: micron / 4, Material: "steel", Due: morning.AddDate(0, 2, 0)}
}

func r1250H(t testing.TB) analysis.Ring {
	return analysis.Ring{ID: "R-1250H", Size: parse(t, "31.76004 mm"), U: micron / 4, Material: "steel", Due: morning.AddDate(0, 2, 0)}
}

// good is an accepted mastering of the sleeve's gauge, which shows deviations
// about a setting of its own.
func good(t testing.TB) Mastering {
	m := Master(analysis.RingSet{Ring: r1250(t), Raw: lengths(t, "um", "12.1", "12.2", "12.1"), At: morning}, UsualRules(15*micron/100), nil, false)
	if !m.Accepted {
		t.Fatal(m.Refused, m.Questions)
	}
	return m
}

func TestMaster(t *testing.T) {
	m := good(t)
	// mean 12.13333 µm; zero = 31.7497 mm − it, exact to 0.1 nm.
	if m.Zero != parse(t, "31.7375667 mm") || m.Mean != 121_333 || m.Spread != 1000 || m.N != 3 || !m.Known {
		t.Errorf("%+v", m)
	}
	if m.Repeat != 577 { // 0.1/√3 µm = 57.7 nm
		t.Errorf("sd %d", m.Repeat)
	}
	if size, err := m.Size(parse(t, "13.4 um")); err != nil || size != parse(t, "31.7509667 mm") {
		t.Errorf("size %s, %v", size, err)
	}
}

// The zero is the exact mean's, rounded half away from zero, whatever the order.
func TestMaster_Zero(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		raw := rapid.SliceOfN(rapid.Map(rapid.Int64Range(-5_000_000_000, 5_000_000_000), func(v int64) analysis.Length { return analysis.Length(v) }), 1, 9).Draw(rt, "raw")
		set := analysis.RingSet{Ring: r1250(t), Raw: raw, At: morning}
		m := Master(set, Rules{}, nil, true)
		if !m.Accepted {
			rt.Fatal(m.Refused)
		}
		n, sum := int64(len(raw)), int64(0)
		for _, r := range raw {
			sum += int64(r)
		}
		// 2n × (zero − exact) lies within ±n, and at ±n zero is the one further out.
		exact := n*int64(set.Ring.Size) - sum
		twice := 2*n*int64(m.Zero) - 2*exact
		if twice > n || twice < -n || twice == n && exact < 0 || twice == -n && exact > 0 {
			rt.Fatalf("zero %d for %d/%d", m.Zero, exact, n)
		}
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 0))
		shuffled := append([]analysis.Length(nil), raw...)
		r.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		set.Raw = shuffled
		if o := Master(set, Rules{}, nil, true); o.Zero != m.Zero || o.Spread != m.Spread {
			rt.Fatalf("%v and %v differ by order", o.Correction, m.Correction)
		}
	})
}

// TestScatter_Certified holds mean and standard deviation against certified
// values: NIST StRD, univariate, Mavro (50 values, sd 0.000429123454003053).
func TestScatter_Certified(t *testing.T) {
	data, err := os.ReadFile("../../testdata/master/strd/Mavro.csv")
	if err != nil {
		t.Fatal(err)
	}
	var raw []analysis.Length
	for _, f := range strings.Fields(string(data)) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			continue // the heading
		}
		raw = append(raw, analysis.Length(math.Round(v*1e7))) // certified figures taken as mm
	}
	s, err := ScatterOf(raw)
	if err != nil || s.N != 50 || s.Mean != 20_018_560 || s.Repeat != 4291 {
		t.Errorf("%+v, %v; certified mean 2.00185600000000, sd 0.000429123454003053", s, err)
	}
}

func TestMaster_Refuses(t *testing.T) {
	rules := UsualRules(15 * micron / 100)
	rules.RawLow, rules.RawHigh = parse(t, "-200 um"), parse(t, "200 um")
	rules.Wanted, rules.Target = "R-1250", parse(t, "31.75127 mm")
	raw := lengths(t, "um", "12.1", "12.2", "12.1")
	before := good(t).Correction
	for name, c := range map[string]struct {
		change            func(*analysis.RingSet, *Rules)
		refused, question string
	}{
		"in order":     {func(*analysis.RingSet, *Rules) {}, "", ""},
		"two readings": {func(s *analysis.RingSet, _ *Rules) { s.Raw = s.Raw[:2] }, "⟦master.check.few 2 3⟧", ""},
		"none":         {func(s *analysis.RingSet, _ *Rules) { s.Raw = nil }, "⟦master.refuse.read ⟦master.no_readings⟧⟧", ""},
		"scattered":    {func(s *analysis.RingSet, _ *Rules) { s.Raw = lengths(t, "um", "12.1", "12.2", "12.8") }, "⟦master.refuse.spread 0.70 µm 0.60 µm⟧", ""},
		// Another ring, 9.5 mm smaller: the gauge hangs at the end of its travel.
		"wrong ring":      {func(s *analysis.RingSet, _ *Rules) { s.Raw = lengths(t, "um", "1000", "1000", "1000") }, "⟦master.refuse.travel R-1250 1.0000 mm −0.2000 mm 0.2000 mm⟧", "⟦master.ask.jump 32.7376 mm 31.7497 mm⟧"},
		"no certificate":  {func(s *analysis.RingSet, _ *Rules) { s.Ring.Size = 0 }, "⟦master.refuse.certificate R-1250⟧", ""},
		"no uncertainty":  {func(s *analysis.RingSet, _ *Rules) { s.Ring.U = 0 }, "⟦master.refuse.certificate R-1250⟧", ""},
		"nonsense":        {func(s *analysis.RingSet, _ *Rules) { s.Raw = []analysis.Length{math.MaxInt64, 0, 0} }, "⟦master.ring_unit ", ""},
		"other ring":      {func(s *analysis.RingSet, _ *Rules) { s.Ring.ID = "R-0875" }, "", "⟦master.ask.other_ring R-1250 R-0875⟧"},
		"far from target": {func(s *analysis.RingSet, r *Rules) { r.Target += 2 * analysis.Millimetre / 10 }, "", "⟦master.ask.far R-1250 0.2 mm 0.1 mm⟧"},
		"overdue":         {func(s *analysis.RingSet, _ *Rules) { s.At = s.Ring.Due.AddDate(0, 0, 1) }, "", "⟦master.ask.overdue R-1250 2027-01-25⟧"},
		"zero jumps":      {func(s *analysis.RingSet, _ *Rules) { s.Raw = lengths(t, "um", "32.1", "32.2", "32.1") }, "", "⟦master.ask.jump 31.7697 mm 31.7497 mm⟧"},
	} {
		t.Run(name, func(t *testing.T) {
			set, r := analysis.RingSet{Ring: r1250(t), Raw: raw, At: morning}, rules
			c.change(&set, &r)
			m := Master(set, r, &before, false)
			codes := notation.Format{Language: notation.Codes()}
			refused, questions := codes.SayAll(m.Refused...), codes.SayAll(m.Questions...)
			if (c.refused == "") != (refused == "") || !strings.Contains(refused, c.refused) {
				t.Errorf("refused: %q, want %q", refused, c.refused)
			}
			if (c.question == "") != (questions == "") || !strings.Contains(questions, c.question) {
				t.Errorf("asks: %q, want %q", questions, c.question)
			}
			if m.Accepted != (refused == "" && questions == "") {
				t.Errorf("accepted: %v", m.Accepted)
			}
			if m = Master(set, r, &before, true); m.Accepted != (refused == "") {
				t.Errorf("accepted once confirmed: %v", m.Accepted)
			}
		})
	}
}

func TestCorrection_Gain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Correction{Zero: 317_000_000, Anchor: analysis.Length(rapid.Int64Range(-2e6, 2e6).Draw(t, "anchor")),
			Certified: analysis.Length(rapid.Int64Range(900_000, 1_100_000).Draw(t, "certified")), Shown: analysis.Length(rapid.Int64Range(900_000, 1_100_000).Draw(t, "shown"))}
		raw := analysis.Length(rapid.Int64Range(-1e7, 1e7).Draw(t, "raw"))
		got, err := c.Size(raw)
		if err != nil {
			t.Fatal(err)
		}
		// Exact in integers: 2 den (got − anchor − zero) is within ±den of 2 num (raw − anchor).
		off := 2*int64(c.Shown)*int64(got-c.Anchor-c.Zero) - 2*int64(c.Certified)*int64(raw-c.Anchor)
		if off > int64(c.Shown) || off < -int64(c.Shown) {
			t.Fatalf("%+v of %d: %d", c, raw, got)
		}
		mirror := c
		mirror.Certified, mirror.Shown = -c.Certified, -c.Shown
		if same, err := mirror.Size(raw); err != nil || same != got {
			t.Fatalf("with both signs turned %d, %v, want %d", same, err, got)
		}
	})
	for name, c := range map[string]Correction{"no distance": {Certified: math.MaxInt64, Shown: 1}, "no zero": {Zero: math.MaxInt64}} {
		if v, err := c.Size(1e9); err == nil {
			t.Errorf("%s: %v", name, v)
		}
	}
	if _, err := (Correction{}).Size(math.MinInt64); err == nil {
		t.Error("the least number there is was corrected")
	}
}

// A gauge that shows 1 % too little is found out by rings 0.1 mm apart, and not
// by rings 10 µm apart.
func TestSetGain(t *testing.T) {
	second := func(size string, shown ...string) Mastering {
		ring := r1250H(t)
		ring.Size = parse(t, size+" mm")
		return Master(analysis.RingSet{Ring: ring, Raw: lengths(t, "um", shown...), At: morning}, UsualRules(15*micron/100), nil, false)
	}
	first := good(t)
	s := 15 * micron / 100
	g := SetGain(first, second("31.8497", "111.1", "111.2", "111.1"), s)
	if !g.Accepted || !g.Differs || math.Abs(g.Ratio-100.0/99) > 1e-9 {
		t.Errorf("%+v", g)
	}
	// Its uncertainty: √(0.125² + 0.125² + 0.15² (1/3 + 1/3)) = 0.2151 µm, twice, in 100 µm.
	if math.Abs(g.U-0.004301) > 1e-5 {
		t.Errorf("U of the gain %v", g.U)
	}
	if size, err := g.Size(first.Mean); err != nil || size != first.Ring.Size {
		t.Errorf("the first ring reads %s, %v", size, err)
	}
	if k := CheckZero(analysis.RingSet{Ring: analysis.Ring{ID: "between", Size: parse(t, "31.7997 mm"), U: micron / 4}, Raw: lengths(t, "um", "61.6", "61.6", "61.7"), At: morning}, g.Correction, micron/4, 3, 0); !k.Good {
		t.Errorf("a ring between: %s", k.Sentence)
	}
	if g := SetGain(first, second("31.8497", "112.0", "112.1", "112.0"), s); !g.Accepted || g.Differs || g.Shown != 0 || g.Ratio == 1 {
		t.Errorf("a gain of 1.001, within its uncertainty: %+v", g)
	}
	for name, m := range map[string]Mastering{
		"too close":    second("31.7547", "17.1", "17.2", "17.1"),
		"10 % off":     second("31.8497", "122.0", "122.1", "122.0"),
		"turned round": second("31.8497", "-88.0", "-88.1", "-88.0"),
		"same ring":    first,
		"not accepted": {},
	} {
		if g := SetGain(first, m, s); g.Accepted || g.Ratio != 1 || g.Zero != first.Zero || g.Shown != 0 || g.Sentence.IsZero() {
			t.Errorf("%s: %+v", name, g)
		}
	}
}

func TestMastering_JSON(t *testing.T) {
	m := good(t)
	at := 21 * analysis.Celsius
	m.Temperature = &at
	data, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	var back Mastering
	if err := json.Unmarshal(data, &back); err != nil || !reflect.DeepEqual(m, back) {
		t.Errorf("%+v\ncame back as\n%+v, %v", m, back, err)
	}
	for _, want := range []string{`"raw_mm":[0.0121,0.0122,0.0121]`, `"correction":{"zero_mm":31.7375667}`, `"spread_um":0.1`, `"ring_at_cel":21`} {
		if !strings.Contains(string(data), want) {
			t.Errorf("%s is not in %s", want, data)
		}
	}
}

// The caller's slice may change afterwards; what was kept may not.
func TestMaster_KeepsItsOwnReadings(t *testing.T) {
	raw := lengths(t, "um", "12.1", "12.2", "12.1")
	m := Master(analysis.RingSet{Ring: r1250(t), Raw: raw, At: morning}, Rules{}, nil, false)
	k := CheckZero(analysis.RingSet{Ring: r1250(t), Raw: raw, At: morning}, m.Correction, micron, 3, 0)
	raw[0] = 0
	if m.Raw[0] == 0 || k.Raw[0] == 0 {
		t.Error("a kept raw reading changed with the caller's slice")
	}
}

func BenchmarkMasterAndCheck(b *testing.B) {
	set := analysis.RingSet{Ring: r1250(b), Raw: lengths(b, "um", "12.1", "12.2", "12.1"), At: morning}
	rules := UsualRules(15 * micron / 100)
	for b.Loop() {
		m := Master(set, rules, nil, false)
		if k := CheckZero(set, m.Correction, micron/4, 3, 0); !k.Good {
			b.Fatal(k.Sentence)
		}
	}
}

// english is a phrase in English, in mm and µm.
// coded is a phrase by its code and its values, in mm and µm.
func coded(p analysis.Phrase) string { return notation.Format{Language: notation.Codes()}.Say(p) }

// says reports whether a phrase is of the code, and one of its values begins with what
// may stand after the code.
func says(p analysis.Phrase, want string) bool {
	code, begins, _ := strings.Cut(want, " ")
	return p.Code == code && (begins == "" || slices.ContainsFunc(p.Args, func(a analysis.Arg) bool {
		return a.Name != nil && strings.HasPrefix(*a.Name, begins)
	}))
}
