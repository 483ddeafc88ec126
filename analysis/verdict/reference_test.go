package verdict

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
)

type example struct {
	L, U, Y, Std float64
	PC           float64
	Simple       bool
	U2           bool
	P95          bool
}

func (e *example) UnmarshalJSON(b []byte) error {
	var v struct {
		L      float64 `json:"L"`
		U      float64 `json:"U"`
		Y      float64 `json:"y"`
		Std    float64 `json:"u"`
		PC     float64 `json:"pc"`
		Simple bool    `json:"accept_simple"`
		U2     bool    `json:"accept_U_guard(k=2)"`
		P95    bool    `json:"accept_95pct(g=1.645u)"`
	}
	err := json.Unmarshal(b, &v)
	*e = example(v)
	return err
}

// TestReference holds probabilities and decisions against values worked out
// elsewhere (testdata/verdict/decision-rules).
func TestReference(t *testing.T) {
	data, err := os.ReadFile("../../testdata/verdict/decision-rules/decision_rules.json")
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Z []struct {
			P float64 `json:"conformance_probability"`
			Z float64 `json:"z_one_sided"`
		} `json:"z_table_JCGM106_Table1"`
		Examples []example `json:"examples_um"`
	}
	if err := json.Unmarshal(data, &ref); err != nil {
		t.Fatal(err)
	}
	if len(ref.Z) != 5 || len(ref.Examples) != 5 {
		t.Fatalf("read %d z values and %d examples, want 5 and 5", len(ref.Z), len(ref.Examples))
	}
	for _, z := range ref.Z {
		if p := conformance(math.Inf(-1), 0, -z.Z, 1); math.Abs(p-z.P) > 1e-9 {
			t.Errorf("z = %v: probability %v, want %v", z.Z, p, z.P)
		}
		if z.P == 0.95 && z.Z != z95 {
			t.Errorf("the guard band's factor is %v, want %v", z95, z.Z)
		}
	}
	for _, e := range ref.Examples {
		if p := conformance(e.L, e.U, e.Y, e.Std); math.Abs(p-e.PC) > 1e-9 {
			t.Errorf("%+v: probability %v", e, p)
		}
		// The examples' µm are taken as mm, so that every digit is kept.
		mm := func(v float64) analysis.Length { return analysis.Length(math.Round(v * 1e7)) }
		u := uncertainty.Stated{Standard: analysis.Deviation(mm(e.Std)), Expanded: analysis.Deviation(mm(2 * e.Std))}
		for rule, want := range map[Rule]bool{Simple: e.Simple, Expanded: e.U2, Confidence95: e.P95} {
			z, err := NewZone(mm(e.L), mm(e.U), rule, u)
			if err != nil {
				t.Fatal(err)
			}
			d, _ := z.Decide(mm(e.Y))
			if (d == Conforms) != want {
				t.Errorf("%+v by %s: %s", e, rule, d)
			}
			if p := z.Probability(mm(e.Y)); math.Abs(p-e.PC) > 1e-9 {
				t.Errorf("%+v: probability %v", e, p)
			}
		}
	}
}
