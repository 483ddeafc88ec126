package plan

import (
	"encoding/json"
	"flag"
	"os"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

var update = flag.Bool("update", false, "write the expected texts anew")

// pivotBracket is a bronze bush pressed into a grey iron bracket and honed.
func pivotBracket(t *testing.T) Request {
	p := pivotBush(t)
	p.Bore = 0
	return Request{
		Title: "Pivot bracket bush", Nominal: mm(t, "22.23008"), Limits: analysis.Limits{Low: mm(t, "22.22754"), High: mm(t, "22.23262")},
		Holds: Finished, Tooling: HandHeld, Form: um(t, "3"),
		Oval: um(t, "6"), Taper: um(t, "8"), Damage: um(t, "8"), Stock: um(t, "66.5"), Bite: um(t, "24"),
		Press: &p, Entry: mm(t, "22.15"),
		Gauge: &Gauge{ID: "G-11", Resolution: um(t, "0.1"), U: um(t, "0.9"), From: mm(t, "18"), To: mm(t, "35"), Ring: mm(t, "22.225"), RingClass: "X", RingU: um(t, "0.25")},
	}
}

func sleeve(t *testing.T) Request {
	return Request{
		Title: "Spindle sleeve", Nominal: mm(t, "31.75"), Limits: analysis.Limits{Low: mm(t, "31.75"), High: mm(t, "31.75254")},
		Holds: Finished, Tooling: Stroked, Form: um(t, "1"), Process: Ground, Oval: um(t, "1"), Taper: um(t, "2"), Damage: um(t, "3"), Bite: um(t, "7.6"), Stock: um(t, "26.2"),
		Gauge: &Gauge{ID: "G-11", Resolution: um(t, "0.1"), U: um(t, "0.63"), From: mm(t, "18"), To: mm(t, "35"), Ring: mm(t, "31.75"), RingClass: "XX", RingU: um(t, "0.25")},
	}
}

// lines writes a plan in both systems of units, a line each.
func lines(rep *Report) (out []string) {
	text := rep.Text()
	for _, n := range rep.Notes {
		text = append(text, n.Phrase())
	}
	for _, p := range text {
		out = append(out, notation.Format{Full: true}.Say(p))
	}
	return out
}

// codes are those of the phrases that an error is made of.
func codes(err error) (out []string) {
	switch e := err.(type) {
	case analysis.Phrase:
		return []string{e.Code}
	case interface{ Unwrap() []error }:
		for _, e := range e.Unwrap() {
			out = append(out, codes(e)...)
		}
	}
	return out
}

func TestReportTexts(t *testing.T) {
	h7 := Request{Title: "Reamed bush", Nominal: mm(t, "25"), Class: "H7", Holds: Plated, Plating: um(t, "5"), Process: Reamed, Oval: um(t, "4"), Taper: um(t, "4"), Damage: um(t, "6")}
	for name, r := range map[string]Request{"pivot-bracket": pivotBracket(t), "spindle-sleeve": sleeve(t), "plated-25H7": h7} {
		rep, err := New(r)
		if err != nil {
			t.Fatal(err)
		}
		got := strings.Join(lines(rep), "\n") + "\n"
		file := testdata + "report/" + name + ".txt"
		if *update {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil || got != string(want) {
			t.Errorf("%s: %v, got\n%s", name, err, got)
		}
		for _, line := range lines(rep) {
			if strings.Contains(line, " mm") && !strings.Contains(line, " in)") {
				t.Errorf("%s: a size without inches: %s", name, line)
			}
		}
	}
}

// TestPivotBracketPlan compares the plan with the shop's part: a bush bored to
// 22.1920 mm, which measured 22.1636 mm after pressing.
func TestPivotBracketPlan(t *testing.T) {
	rep, err := New(pivotBracket(t))
	if err != nil {
		t.Fatal(err)
	}
	if rep.Hone.Target != mm(t, "22.23008") {
		t.Errorf("target %s, want the middle of the limits", rep.Hone.Target)
	}
	if off := (rep.Press.Before - mm(t, "22.1920")).Abs(); off > analysis.Micrometre {
		t.Errorf("bush bore %s, the shop's was 22.1920 mm", rep.Press.Before)
	}
	if d := rep.Press.After + analysis.Length(rep.Stock.Wanted) - rep.Hone.Target; d.Abs() > 1 {
		t.Errorf("after pressing %s, wanted %v of stock below the target", rep.Press.After, rep.Stock.Wanted)
	}
	if rep.Press.BandLow != um(t, "24") || rep.Press.BandHigh != um(t, "40") {
		t.Errorf("band %v to %v", rep.Press.BandLow, rep.Press.BandHigh)
	}
	if rep.Stock.Rounds != 5 { // as many as the part took
		t.Errorf("%d rounds", rep.Stock.Rounds)
	}

	made := pivotBracket(t)
	made.Press.Bore = mm(t, "22.1920")
	rep, err = New(made)
	if err != nil {
		t.Fatal(err)
	}
	if off := (rep.Press.After - mm(t, "22.1636")).Abs(); !rep.Press.Given || off > analysis.Micrometre || rep.Stock.Start != rep.Press.After {
		t.Errorf("after pressing %s, measured 22.1636 mm", rep.Press.After)
	}
	if ok, why := rep.Press.Judge(um(t, "28.4")); !ok {
		t.Error(why.Code)
	}
}

func TestReportWarnings(t *testing.T) {
	const remark, warning, stop = "note ", "warning ", "stop "
	for want, change := range map[string]func(*Request){
		warning + "plan.note.bush_stress":    func(r *Request) {},
		warning + "plan.note.measure":        func(r *Request) {},
		warning + "plan.note.stock_least":    func(r *Request) { r.Stock = um(t, "30") },
		warning + "plan.note.stock_less":     func(r *Request) { r.Stock = um(t, "45") },
		warning + "plan.note.stock_less_own": func(r *Request) { r.Band = &Band{um(t, "70"), um(t, "90")} },
		warning + "plan.note.stock_more_own": func(r *Request) { r.Band = &Band{um(t, "45"), um(t, "60")} },
		warning + "plan.note.tolerance.finer": func(r *Request) {
			r.Tooling, r.Form = HandHeld, 0
			r.High = r.Low + 40*analysis.MicroInch*4
			r.Target = 0
			r.Gauge = nil
		},
		remark + "plan.note.tolerance.care": func(r *Request) { r.Form = 0 },
		warning + "plan.note.stock_more":    func(r *Request) { r.Stock = um(t, "120") },
		warning + "plan.note.closes_little": func(r *Request) { r.Stock = um(t, "42") },
		warning + "plan.note.closes_much":   func(r *Request) { r.Entry = mm(t, "22.16") },
		warning + "plan.note.holds":         func(r *Request) { r.Holds = Unstated },
		warning + "plan.note.nominal":       func(r *Request) { r.Nominal = mm(t, "22.22") },
		warning + "plan.note.target":        func(r *Request) { r.Target = mm(t, "22.2280") },
		stop + "plan.note.unfit":            func(r *Request) { r.Gauge.U = um(t, "2.6") },
		warning + "plan.note.ratio":         func(r *Request) { r.Gauge.U = um(t, "1.4") },
		warning + "plan.note.no_u":          func(r *Request) { r.Gauge.U = 0 },
		remark + "plan.note.u.tenth":        func(r *Request) { r.Gauge.U = um(t, "0.63") },
		remark + "plan.note.resolution.tenth": func(r *Request) {
			r.Gauge.Resolution = analysis.Deviation(50 * analysis.MicroInch)
		},
		stop + "plan.note.gauge_range":         func(r *Request) { r.Gauge.From = mm(t, "24") },
		stop + "plan.note.ring_range":          func(r *Request) { r.Gauge.Ring = mm(t, "15.875") },
		warning + "plan.note.ring_far":         func(r *Request) { r.Gauge.Ring = mm(t, "22.4") },
		warning + "plan.note.ring_uncertified": func(r *Request) { r.Gauge.RingU = 0 },
		remark + "plan.note.ring_class":        func(r *Request) {},
		remark + "plan.note.form.care":         func(r *Request) { r.Form = um(t, "6"); r.High += analysis.Thou },
		warning + "plan.note.form.finer":       func(r *Request) {},
		warning + "plan.note.wide":             func(r *Request) { r.High += analysis.Millimetre },
		remark + "plan.note.damage":            func(r *Request) { r.Damage = 0 },
		remark + "plan.fault.stock_table":      func(r *Request) { *r = small5(t) },
		remark + "plan.fault.no_process":       func(r *Request) { *r = small5(t); r.Process = NoProcess },
		stop + "plan.note.mandrel":             func(r *Request) { *r = small5(t); r.Entry = mm(t, "5") },
		warning + "plan.note.housing_stress":   func(r *Request) { r.Press.Boss, r.Press.Housing = mm(t, "34"), mm(t, "28.5") },
		remark + "plan.note.bronze":            func(r *Request) {},
		remark + "plan.fault.rough_process":    func(r *Request) { *r = small5(t); r.Nominal = mm(t, "60"); r.Process = Drilled },
		remark + "plan.note.unusual_walls":     func(r *Request) { r.Press.Outside, r.Press.Housing = mm(t, "38.04"), mm(t, "38") },
	} {
		r := pivotBracket(t)
		change(&r)
		rep, err := New(r)
		if err != nil {
			t.Errorf("%s: %v", want, err)
			continue
		}
		if !slices.ContainsFunc(rep.Notes, func(n Note) bool {
			got, last := n.Text.Code, len(n.Text.Args)-1
			if last >= 0 && n.Text.Args[last].Phrase != nil && got == "plan.note.no_band" {
				got = n.Text.Args[last].Phrase.Code
			}
			return n.Weight.String()+" "+got == want
		}) {
			t.Errorf("no %q in\n%s", want, strings.Join(lines(rep), "\n"))
		}
		for i := 1; i < len(rep.Notes); i++ {
			if rep.Notes[i].Weight > rep.Notes[i-1].Weight {
				t.Errorf("%s: a %s comes after a %s", want, rep.Notes[i].Weight, rep.Notes[i-1].Weight)
			}
		}
	}
}

func small5(t *testing.T) Request {
	return Request{Nominal: mm(t, "5"), Class: "H7", Holds: Finished, Process: Reamed}
}

func TestReportErrors(t *testing.T) {
	for want, spoil := range map[string]func(*Request){
		"plan.fault.no_limits":        func(r *Request) { r.Limits = analysis.Limits{} },
		"plan.fault.class_and_limits": func(r *Request) { r.Class = "H7" },
		"plan.fault.limits_order":     func(r *Request) { r.High = r.Low },
		"plan.fault.limits_range":     func(r *Request) { r.Low = -r.Low },
		"plan.fault.nominal":          func(r *Request) { r.Nominal = mm(t, "0.8752") },
		"plan.fault.target":           func(r *Request) { r.Target = r.High },
		"plan.fault.deviation":        func(r *Request) { r.Oval = -1 },
		"plan.fault.band":             func(r *Request) { r.Band = &Band{5, 4} },
		"plan.fault.not_pressed":      func(r *Request) { r.Process = Ground },
		"plan.fault.no_such_value":    func(r *Request) { r.Tooling = 9 },
		"plan.fault.plating_missing":  func(r *Request) { r.Holds = Plated },
		"plan.fault.plating_unsaid":   func(r *Request) { r.Plating = um(t, "5") },
		"plan.fault.plating":          func(r *Request) { r.Plating = -1 },
		"plan.fault.no_wall":          func(r *Request) { r.Press.Bore = mm(t, "30") },
		"plan.fault.thin_wall":        func(r *Request) { r.Press.Outside, r.Press.Housing = mm(t, "22.2400"), mm(t, "22.0300") },
		"plan.fault.boss":             func(r *Request) { r.Press.Boss = mm(t, "28") },
		"plan.fault.gauge":            func(r *Request) { r.Gauge.Resolution = 0 },
		"plan.fault.ring_class":       func(r *Request) { r.Gauge.RingClass = "W" },
		"plan.fault.entry":            func(r *Request) { r.Entry = -1 },
		"plan.fault.shaft":            func(r *Request) { r.Limits, r.Class = analysis.Limits{}, "p6" },
		"fit.class.grade":             func(r *Request) { r.Limits, r.Class = analysis.Limits{}, "H99" },
		"fit.class.nominal":           func(r *Request) { r.Limits, r.Class, r.Nominal = analysis.Limits{}, "H7", 0 },
		"plan.fault.limits":           nil,
		"plan.fault.ring_classes":     func(r *Request) { r.Gauge.Ring, r.Gauge.To = mm(t, "400"), mm(t, "500") },
	} {
		var err error
		if spoil == nil {
			_, _, err = CheckGauge(Gauge{}, analysis.Limits{})
		} else {
			r := pivotBracket(t)
			spoil(&r)
			_, err = New(r)
		}
		if got := codes(err); !slices.Contains(got, want) {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// TestAcceptZoneOfTheSleeve: half of a tolerance of 0.0001 in is gone at U 0.63 µm.
func TestAcceptZoneOfTheSleeve(t *testing.T) {
	rep, err := New(sleeve(t))
	if err != nil {
		t.Fatal(err)
	}
	g := rep.Gauge
	if g.AcceptLow != mm(t, "31.75063") || g.AcceptHigh != mm(t, "31.75191") || g.Tolerance != um(t, "2.54") {
		t.Errorf("%s to %s of %v", g.AcceptLow, g.AcceptHigh, g.Tolerance)
	}
	near(t, "test ratio", g.Ratio, 2.54/1.26, 1e-12)
	if rep.Stock.Start != mm(t, "31.72507") || rep.Hone.Target != mm(t, "31.75127") {
		t.Errorf("start %s, target %s", rep.Stock.Start, rep.Hone.Target)
	}
}

func TestStockBands(t *testing.T) {
	for _, c := range []struct {
		bore string
		p    Process
		want string
	}{
		{"6", Reamed, "25"}, {"13", Ground, "8"}, {"13.0001", Ground, "12"}, {"25", Pressed, "50"}, {"31.75", Bored, "75"}, {"100", Pressed, "100"}, {"50", Drilled, "150"},
	} {
		b, err := StockBand(mm(t, c.bore), c.p)
		if err != nil || b.Low != um(t, c.want) || b.High <= b.Low {
			t.Errorf("%s mm %s: %v, %v", c.bore, c.p, b, err)
		}
	}
	if got := LeastStock(um(t, "6"), um(t, "8"), um(t, "8")); got != um(t, "40") {
		t.Errorf("least stock %v", got)
	}
}

// TestRounds: halving, then three quarters below 6 µm, worked by hand.
func TestRounds(t *testing.T) {
	for _, c := range []struct {
		stock, bite, near string
		want              int
	}{
		{"0", "0", "1", 0},
		{"4", "0", "1", 1},      // 1
		{"24", "0", "1.5", 3},   // 12, 6, 1.5
		{"26.2", "7.6", "1", 5}, // 18.6, 11, 5.5, 1.375, 0.34
		{"100", "0.1", "1", 100},
	} {
		if got := Rounds(um(t, c.stock), um(t, c.bite), um(t, c.near)); got != c.want {
			t.Errorf("%+v: %d", c, got)
		}
	}
}

// TestRingClasses compares with the published table at both ends of each range.
func TestRingClasses(t *testing.T) {
	head, rows := table(t, "rings/master_ring_classes_um.csv")
	for _, r := range rows {
		for k, class := range head[2 : len(head)-1] {
			for _, ring := range []analysis.Length{mm(t, r[0]) + 1, mm(t, r[1])} {
				if got, err := RingTolerance(ring, class); err != nil || got != um(t, r[k+2]) {
					t.Errorf("%s at %s: %v, %v", class, ring, got, err)
				}
			}
		}
	}
}

// TestPlansHoldTogether: any plan that comes out adds up, and says so in
// numbers that can be read and sent.
func TestPlansHoldTogether(t *testing.T) {
	base := pivotBracket(t)
	rapid.Check(t, func(rt *rapid.T) {
		r := base
		press := *base.Press
		press.Outside = r.High + analysis.Length(rapid.Int64Range(1, int64(40*analysis.Millimetre)).Draw(rt, "wall"))
		press.Housing = press.Outside - analysis.Length(rapid.Int64Range(-100, int64(500*analysis.Micrometre)).Draw(rt, "interference"))
		press.Boss = press.Outside + analysis.Length(rapid.Int64Range(-100, int64(60*analysis.Millimetre)).Draw(rt, "boss"))
		press.Rz = analysis.Deviation(rapid.Int64Range(0, int64(60*analysis.Micrometre)).Draw(rt, "rz"))
		if rapid.Bool().Draw(rt, "made") {
			press.Bore = r.Low - analysis.Length(rapid.Int64Range(0, int64(analysis.Millimetre)).Draw(rt, "bore"))
		}
		r.Press = &press
		r.Stock = analysis.Deviation(rapid.Int64Range(0, int64(200*analysis.Micrometre)).Draw(rt, "stock"))
		rep, err := New(r)
		if err != nil {
			return
		}
		p := rep.Press
		if p.AfterLeast > p.After || p.After > p.AfterMost || p.Before-analysis.Length(p.Forecast) != p.After {
			rt.Fatalf("after pressing %s, from %s to %s", p.After, p.AfterLeast, p.AfterMost)
		}
		if rep.Stock.Start+analysis.Length(rep.Stock.Wanted) != rep.Hone.Target {
			rt.Fatalf("start %s + stock %v is not the target %s", rep.Stock.Start, rep.Stock.Wanted, rep.Hone.Target)
		}
		if d := (p.After - rep.Stock.Start).Abs(); d > 1 {
			rt.Fatalf("the bush was to leave %s and leaves %s", rep.Stock.Start, p.After)
		}
		if _, err := json.Marshal(rep); err != nil {
			rt.Fatal(err)
		}
		for _, line := range lines(rep) {
			if line == "" || strings.Contains(line, "NaN") || strings.Contains(line, "Inf") || strings.ContainsAny(line, "…?⟦") {
				rt.Fatalf("line %q", line)
			}
		}
	})
}

func TestRequestReadsItsWords(t *testing.T) {
	var r Request
	in := `{"nominal_mm":22.23,"low_mm":22.227,"high_mm":22.233,"target_mm":0,"limits_hold":"finished","tooling":"hand-held","process":"Reamed","stock_um":40}`
	if err := json.Unmarshal([]byte(in), &r); err != nil {
		t.Fatal(err)
	}
	if r.Holds != Finished || r.Tooling != HandHeld || r.Process != Reamed || r.Low != mm(t, "22.227") || r.Stock != um(t, "40") {
		t.Errorf("%+v", r)
	}
	if out, err := json.Marshal(r); err != nil || !strings.Contains(string(out), `"process":"reamed"`) {
		t.Errorf("%s, %v", out, err)
	}
	for _, bad := range []string{`{"process":"gnawed"}`, `{"limits_hold":"sometimes"}`, `{"tooling":"teeth"}`} {
		if json.Unmarshal([]byte(bad), &r) == nil {
			t.Errorf("%s must fail", bad)
		}
	}
}

func BenchmarkReport(b *testing.B) {
	r := pivotBracket(&testing.T{})
	for b.Loop() {
		rep, err := New(r)
		if err != nil {
			b.Fatal(err)
		}
		lines(rep)
	}
}
