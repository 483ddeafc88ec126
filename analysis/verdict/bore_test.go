package verdict

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/notation"
	"fairbore/analysis/uncertainty"
)

const µm = analysis.Deviation(analysis.Micrometre)

func length(t testing.TB, s string) analysis.Length {
	t.Helper()
	l, err := analysis.ParseLength(s)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// sleeve is the hardened sleeve to 100 millionths (invented).
func sleeve(t testing.TB) *analysis.Job {
	j := &analysis.Job{ID: "J-4112", Unit: analysis.IN, Nominal: length(t, "1.25 in"), Face: "front",
		Limits: analysis.Limits{Low: length(t, "1.25000 in"), High: length(t, "1.25010 in"), Target: length(t, "1.25005 in")},
		Band:   200 * µm, Variation: µm, Length: length(t, "63.5 mm"), Sections: []analysis.Length{length(t, "5 mm"), length(t, "32 mm"), length(t, "58 mm")},
		Orientations: []analysis.Angle{0, 90 * analysis.Degree}, Ring: "R-1250"}
	if faults := j.Check(); faults != nil {
		t.Fatal(faults)
	}
	return j
}

// readingsOf lays sizes in mm on the plan of a job, in its order.
func readingsOf(t testing.TB, j *analysis.Job, mm ...string) (rs []analysis.Reading) {
	t.Helper()
	for i, p := range j.Plan() {
		if i < len(mm) && mm[i] != "" {
			rs = append(rs, analysis.Reading{Place: p, Size: length(t, mm[i]+" mm")})
		}
	}
	return rs
}

func stated(u, U analysis.Deviation) uncertainty.Stated {
	return uncertainty.Stated{Standard: u, Expanded: U, K: 2, Level: uncertainty.Level2}
}

// The sleeve's budget: u 0.316, U 0.63 µm; form: 0.15 √(2/3), three captures in a size.
func input(t testing.TB, mm ...string) Input {
	j := sleeve(t)
	return Input{Job: j, Readings: readingsOf(t, j, mm...), Size: stated(3163, 6327), Form: stated(1225, 2450), Rule: Expanded}
}

func TestZone_Sleeve(t *testing.T) {
	in := input(t)
	z, err := NewZone(in.Job.Low, in.Job.High, Expanded, in.Size)
	if err != nil {
		t.Fatal(err)
	}
	// Published with the worked budget: 31.75063 to 31.75191 mm, 1.27 µm wide.
	if z.AcceptLow.Format(analysis.MM, 5) != "31.75063" || z.AcceptHigh.Format(analysis.MM, 5) != "31.75191" {
		t.Errorf("acceptance from %s to %s", z.AcceptLow, z.AcceptHigh)
	}
	if z, err = NewZone(in.Job.Low, in.Job.High, Confidence95, in.Size); err != nil || analysis.Length(z.Guard).Format(analysis.UM, 2) != "0.52" {
		t.Errorf("1.645 u is %d, %v, want 0.52 µm", z.Guard, err)
	}
}

func TestZone_Refuses(t *testing.T) {
	for name, f := range map[string]func() (Zone, error){
		"wrong way round": func() (Zone, error) { return NewZone(2, 1, Simple, stated(1, 2)) },
		"no uncertainty":  func() (Zone, error) { return NewZone(1, 2, Expanded, uncertainty.Stated{}) },
		"no rule":         func() (Zone, error) { return NewZone(1, 2, "", stated(1, 2)) },
		"too large":       func() (Zone, error) { return NewZone(1, 1<<62, Simple, stated(1, 2)) },
		"no form limit":   func() (Zone, error) { return NewUpperZone(0, Expanded, stated(1, 2)) },
	} {
		if z, err := f(); err == nil {
			t.Errorf("%s: %+v", name, z)
		}
	}
}

func TestJudge(t *testing.T) {
	good := []string{"31.7510", "31.7514", "31.7514", "31.7513", "31.7516", "31.7514"}
	with := func(i int, mm string) []string { s := slices.Clone(good); s[i] = mm; return s }
	all := func(mm string) []string { return slices.Repeat([]string{mm}, 6) }
	for _, c := range []struct {
		name     string
		mm       []string
		rule     Rule
		decision Decision
		state    State
		side     Side
		action   Action
		sentence string
	}{
		{"final readings", good, Expanded, Conforms, InSize, Inside, Finished, "⟦verdict.in_size 6 ⟦verdict.rule.U⟧⟧"},
		{"one low, by U", with(0, "31.7506326"), Expanded, Uncertain, TooClose, Under, HoneOn, "⟦verdict.close_low 0.20 in / 0°⟧"},
		{"not too low, by 1.645 u", all("31.7506"), Confidence95, Conforms, InSize, Inside, Finished, ""},
		{"one low, simple", with(0, "31.75000"), Simple, DoesNotConform, OutOfForm, Inside, FormFault, "⟦verdict.out_of_form ⟦verdict.form.variation⟧ 63 millionths 39 millionths⟧"},
		{"round 4", []string{"31.7483", "31.7486", "31.7472", "31.7473", "31.7472", "31.7472"}, Expanded, DoesNotConform, StockToGo, Under, HoneOn, "⟦verdict.stock 110 millionths 1.26 in / 0°⟧"},
		{"14 strokes at once", all("31.7528"), Expanded, Uncertain, TooClose, Above, StopNow, "⟦verdict.close_high 0.20 in / 0°⟧"},
		{"gauged again cool", all("31.7526"), Expanded, Uncertain, TooClose, Above, StopNow, ""},
		{"over", with(4, "31.75318"), Expanded, DoesNotConform, Over, Above, StopNow, "⟦verdict.over 25 millionths 2.28 in / 0°⟧"},
		{"over by the smallest step", with(4, "31.7531728"), Expanded, DoesNotConform, Over, Above, StopNow, ""},
		{"not yet over by the smallest step", all("31.7531727"), Expanded, Uncertain, TooClose, Above, StopNow, ""},
		{"low and half gauged", all("31.7502")[:4], Expanded, Uncertain, TooClose, Under, NotKnown, "⟦verdict.close_low 0.20 in / 0°⟧"},
		{"under and past the safe size", append(with(0, "31.7499")[:5:5], "31.7520"), Expanded, DoesNotConform, TooClose, Above, LayAside, ""},
		{"half gauged", good[:3], Expanded, NotJudged, CannotJudge, Inside, NotKnown, "⟦verdict.so_far 3 1.26 in / 90°⟧"},
		{"half gauged, over already", with(2, "31.7540")[:3], Expanded, DoesNotConform, Over, Above, StopNow, ""},
		{"nothing gauged", nil, Expanded, NotJudged, CannotJudge, Inside, NotKnown, "⟦verdict.cannot_nothing⟧"},
		{"sizes good, variation not", []string{"31.7507", "31.7519", "31.7514", "31.7513", "31.7516", "31.7514"}, Expanded, Uncertain, TooClose, Inside, NotKnown, "⟦verdict.form_close ⟦verdict.form.variation⟧ 47 millionths 39 millionths⟧"},
		{"variation in doubt", []string{"31.7508", "31.7514", "31.7514", "31.7513", "31.7516", "31.7514"}, Expanded, Uncertain, TooClose, Inside, NotKnown, "⟦verdict.form_close ⟦verdict.form.variation⟧ 31 millionths 39 millionths⟧"},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := input(t, c.mm...)
			in.Rule = c.rule
			b := Judge(in)
			if b.Decision != c.decision || b.State != c.state || b.Side != c.side || b.Stop.Action != c.action || b.Rule != c.rule {
				t.Errorf("%s, %s, side %q, %s (%s): %s", b.Decision, b.State, b.Side, b.Stop.Action, b.Stop.Reason, b.Sentence)
			}
			if b.Stop.Reason.IsZero() || b.Sentence.IsZero() || c.sentence != "" && coded(in.Job, b.Sentence) != c.sentence {
				t.Errorf("says %q, want in it %q", b.Sentence, c.sentence)
			}
		})
	}
}

func TestJudge_Figures(t *testing.T) {
	b := Judge(input(t, "31.7510", "31.7514", "31.7514", "31.7513", "31.7516", "31.7514"))
	s := b.Sizes
	if s.Smallest.Size != 317_510_000 || s.Largest.Size != 317_516_000 || s.Stock != -µm || s.Room != 9400 || s.N != 6 {
		t.Errorf("%+v", s)
	}
	if s.TestRatio < 2.00 || s.TestRatio > 2.01 || s.Fit != GoodFit {
		t.Errorf("test ratio %v %q, want 25.4/12.654", s.TestRatio, s.Fit)
	}
	// The largest is 0.94 µm inside at u 0.3163: Phi(2.9719) = 0.99852 (worked out apart).
	if s.Worst < 0.998519 || s.Worst > 0.998521 {
		t.Errorf("worst probability %v", s.Worst)
	}
	if b.Plugs.Go.Decision != Conforms || b.Plugs.NoGo.Decision != Conforms || b.Plugs.Go.Margin != µm || b.Plugs.NoGo.Margin != 9400 || b.Plugs.Caution.Code != "verdict.plugs" {
		t.Errorf("plugs %+v", b.Plugs)
	}
	if len(b.Form) != 1 || b.Form[0].Value != 6000 || b.Form[0].Decision != Conforms {
		t.Errorf("form %+v", b.Form)
	}
}

func TestJudge_Plugs(t *testing.T) {
	b := Judge(input(t, "31.7490", "31.7514", "31.7514", "31.7513", "31.7540", "31.7514"))
	if b.Plugs.Go.Decision != DoesNotConform || b.Plugs.NoGo.Decision != DoesNotConform || b.Plugs.Go.At.Depth != 50_000_000 || b.Plugs.NoGo.At.Depth != 580_000_000 {
		t.Errorf("%+v", b.Plugs)
	}
	b = Judge(input(t, "31.7503", "31.7514", "31.7514", "31.7513", "31.7522", "31.7514"))
	if b.Plugs.Go.Decision != Uncertain || b.Plugs.NoGo.Decision != Uncertain {
		t.Errorf("%+v", b.Plugs)
	}
}

func TestJudge_Form(t *testing.T) {
	in := input(t, "31.7520", "31.7510", "31.7515", "31.7514", "31.7512", "31.7511")
	in.Rule = Simple
	in.Job.Ovality, in.Job.Taper, in.Job.Variation = µm, 7*µm/10, 9*µm/10
	in.Job.High = length(t, "31.7530 mm")
	b := Judge(in)
	want := map[CharacteristicName]struct {
		value analysis.Deviation
		d     Decision
		n     int
	}{Variation: {10_000, DoesNotConform, 6}, Taper: {8000, DoesNotConform, 4}, Ovality: {10_000, Conforms, 6}}
	for _, c := range b.Form {
		if w := want[c.Name]; c.Value != w.value || c.Decision != w.d || c.N != w.n {
			t.Errorf("%s: %+v", c.Name, c)
		}
	}
	if len(b.Form) != 3 || b.State != OutOfForm || b.Decision != DoesNotConform {
		t.Errorf("%s, %s, %d characteristics", b.State, b.Decision, len(b.Form))
	}
	// A missing end leaves a taper that looks small undecided, and a large one decided.
	in.Job.Taper = 9 * µm / 10
	in.Readings = in.Readings[:5]
	for _, c := range Judge(in).Form {
		if c.Name == Taper && (c.Decision != NotJudged || c.Why.IsZero() || c.N != 2) {
			t.Errorf("taper from one line: %+v", c)
		}
		if c.Name == Variation && c.Decision != DoesNotConform {
			t.Errorf("variation: %+v", c)
		}
	}
}

func TestJudge_FormUnknown(t *testing.T) {
	in := input(t, "31.7510", "31.7514", "31.7514", "31.7513", "31.7516", "31.7514")
	in.Form = uncertainty.Stated{}
	if b := Judge(in); b.State != CannotJudge || b.Decision != NotJudged || coded(in.Job, b.Sentence) != "⟦verdict.cannot_form ⟦verdict.form.variation⟧ ⟦verdict.limits.no_u ⟦verdict.rule.U⟧⟧⟧" {
		t.Errorf("%s, %s: %s", b.State, b.Decision, b.Sentence)
	}
}

func TestJudge_Invalid(t *testing.T) {
	in := input(t, "31.7510", "31.7514", "31.7514", "31.7513", "31.7600", "31.7514")
	in.Invalid = []analysis.Phrase{analysis.Quote("The zero check failed at 10:42.")}
	b := Judge(in)
	if b.State != CannotJudge || b.Decision != NotJudged || b.Stop.Action != NotKnown || coded(in.Job, b.Sentence) != "⟦verdict.cannot_because The zero check failed at 10:42.⟧" || b.Plugs != nil {
		t.Errorf("%+v", b)
	}
	in.Invalid, in.Size = nil, uncertainty.Stated{}
	if b := Judge(in); b.State != CannotJudge || coded(in.Job, b.Sentence) != "⟦verdict.cannot_because ⟦verdict.invalid.limits ⟦verdict.limits.no_u ⟦verdict.rule.U⟧⟧⟧⟧" || b.Sizes.Fit != NoFit {
		t.Errorf("without an uncertainty: %+v", b)
	}
	in = input(t, "31.7510")
	in.Readings[0].Size = -1
	if b := Judge(in); b.State != CannotJudge || coded(in.Job, b.Sentence) != "⟦verdict.cannot_because ⟦verdict.invalid.size 0.20 in / 0°⟧⟧" {
		t.Errorf("a negative size: %s", b.Sentence)
	}
}

func TestFit(t *testing.T) {
	for U, want := range map[analysis.Deviation]Fit{6000: GoodFit, 7000: PoorFit, 13_000: NotFit} {
		in := input(t, "31.7510")
		in.Size = stated(U/2, U)
		if b := Judge(in); b.Sizes.Fit != want {
			t.Errorf("U %d: %q, want %q", U, b.Sizes.Fit, want)
		}
	}
}

func TestBore_JSON(t *testing.T) {
	b := Judge(input(t, "31.7510", "31.7514", "31.7514", "31.7513", "31.7516"))
	data, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	var back Bore
	if err := json.Unmarshal(data, &back); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(b, back) {
		t.Errorf("%+v\ncame back as\n%+v", b, back)
	}
	for _, want := range []string{`"accept_low_mm":31.7506327`, `"left_to_high_um":0.94`, `"state":"cannot judge"`, `"rule":"U"`} {
		if !strings.Contains(string(data), want) {
			t.Errorf("%s is not in %s", want, data)
		}
	}
}

func TestParseRule(t *testing.T) {
	for s, want := range map[string]Rule{"0": Simple, "1.645u": Confidence95, "U": Expanded, "2u": Expanded} {
		if r, err := ParseRule(s); err != nil || r != want {
			t.Errorf("%q: %q, %v", s, r, err)
		}
	}
	if _, err := ParseRule("lenient"); err == nil {
		t.Error("a rule that isn't one is accepted")
	}
}

// english is a phrase as the drawing's reader has it.
// coded is a phrase by its code and its values, in the unit of the job.
func coded(j *analysis.Job, p analysis.Phrase) string {
	f := notation.ForJob(j)
	f.Language = notation.Codes()
	return f.Say(p)
}
