package material_test

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"fairbore/analysis/material"
)

// rows reads a table of testdata/material without its head.
func rows(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/material/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return all[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func find(t *testing.T, name string) material.Material {
	t.Helper()
	m, err := material.Find(name)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestTheExpansionIsThatOfTheSources(t *testing.T) {
	published := map[string][]string{}
	for _, r := range rows(t, "expansion_coefficients.csv") {
		published[r[0]] = r
	}
	for name, row := range map[string]string{
		"steel": "52100 (gauge-maker/ring typical)", "tool steel": "tool steel (low-alloy, O1/A2 class)", "bearing steel": "52100 annealed",
		"carbon steel": "steel AISI 1020 / A36", "alloy steel": "steel AISI 4140 / 4340", "stainless 440": "stainless 440A", "stainless 304": "stainless 304",
		"grey iron": "gray cast iron G1800/G3000/G4000", "ductile iron": "ductile iron 60-40-18", "bronze": "bearing bronze C93200", "brass": "brass C36000",
		"cartridge brass": "brass C26000", "aluminium": "aluminium 6061", "carbide": "tungsten carbide 94WC-6Co",
	} {
		m, r := find(t, name), published[row]
		if r == nil || m.Alpha != number(t, r[1]) || m.AlphaU != number(t, r[len(r)-1]) {
			t.Errorf("%s: %v ± %v, published %v", name, m.Alpha, m.AlphaU, r)
		}
	}
}

// What is only called stainless may be either kind: the coefficient is anywhere from
// the one to the other (a rectangular distribution, JCGM 100:2008, 4.3.7).
func TestStainlessSteelCoversBothKinds(t *testing.T) {
	low, high, either := find(t, "stainless 440").Alpha, find(t, "stainless 304").Alpha, find(t, "stainless steel")
	if mean, u := (low+high)/2, (high-low)/2/1.732; either.Alpha != mean || either.AlphaU < u-0.05 || either.AlphaU > u+0.05 {
		t.Errorf("%v ± %v, want %v ± %.2f", either.Alpha, either.AlphaU, mean, u)
	}
}

func TestModulusAndStrengthLieWithinWhatIsPublished(t *testing.T) {
	for _, r := range rows(t, "typical_values.csv") {
		m := find(t, r[0])
		v, ok := map[string]float64{"e_gpa": m.Young, "poisson": m.Poisson, "strength_mpa": m.Strength}[r[1]]
		if low, high := number(t, r[2]), number(t, r[3]); !ok || m.Name != r[0] || v < low || v > high {
			t.Errorf("%s: %s is %v, published %v to %v (%s)", r[0], r[1], v, low, high, r[4])
		}
	}
}

func TestEachValueHasItsSourceAndItsOrderOfSize(t *testing.T) {
	for _, m := range material.All() {
		for what, v := range map[string]struct {
			value, least, most float64
			source             string
		}{
			"modulus":     {m.Young, 60, 700, m.Sources.Young},
			"Poisson":     {m.Poisson, 0.2, 0.4, m.Sources.Poisson},
			"strength":    {m.Strength, 0, 500, m.Sources.Strength},
			"expansion":   {m.Alpha, 4, 25, m.Sources.Alpha},
			"uncertainty": {m.AlphaU, 0.3, 2, m.Sources.Alpha},
			"heat":        {m.Heat, 2, 4.2, m.Sources.Heat},
		} {
			if v.value < v.least || v.value > v.most || (v.source == "") != (v.value == 0) {
				t.Errorf("%s: %s %v, source %q", m.Name, what, v.value, v.source)
			}
		}
	}
}

func TestAMaterialIsFoundByWhatTheTradeCallsIt(t *testing.T) {
	for want, names := range map[string][]string{
		"steel":           {"Steel", "ring steel", "gauge steel", "hardened steel", "steel, 60 HRC"},
		"tool steel":      {"O1", "a2", "D2", "tool steel 60 HRC", "tool steel, 60 HRC", "hardened tool steel", "steel O1"},
		"bearing steel":   {"52100", "bearing steel", "52100 steel"},
		"carbon steel":    {"1020", "A36", "1040", "mild steel"},
		"alloy steel":     {"4140", "4340", "4140 steel", "steel (4340), hardened"},
		"stainless steel": {"stainless", "Stainless steel"},
		"stainless 440":   {"440A", "440c", "martensitic stainless", "martensitic stainless steel"},
		"stainless 304":   {"304", "austenitic stainless", "304 stainless steel", "stainless steel 304"},
		"grey iron":       {"iron", "grey iron", "gray iron", " Gray  Iron ", "Gray cast iron", "grey cast iron", "cast iron", "cast-iron"},
		"ductile iron":    {"ductile iron", "nodular iron", "SG iron", "iron, nodular", "spheroidal graphite cast iron", "ductile cast iron"},
		"bronze":          {"bronze", "Leaded Bronze", "bearing bronze", "C93200", "aluminium bronze", "gunmetal"},
		"brass":           {"brass", "C36000", "free-cutting brass"},
		"cartridge brass": {"cartridge brass", "C26000", "brass C26000"},
		"aluminium":       {"aluminium", "aluminum", "6061", "aluminium 6061", " 6061-type aluminium", "duralumin", "aluminium alloy"},
		"carbide":         {"carbide", "tungsten carbide", "94WC-6Co"},
	} {
		for _, name := range names {
			if m, err := material.Find(name); err != nil || m.Name != want {
				t.Errorf("%q is %q (%v), want %q", name, m.Name, err, want)
			}
		}
	}
}

// Nothing is guessed.
func TestAnUnknownMaterialIsRefusedWithTheKnownOnes(t *testing.T) {
	for _, name := range []string{"unobtainium", "", " , ", "wood", "steely", "bronzed", "hardened"} {
		_, err := material.Find(name)
		if err == nil || !strings.Contains(err.Error(), "not one of steel, tool steel") || !strings.HasPrefix(err.Error(), "material "+strconv.Quote(name)) {
			t.Errorf("%q: %v", name, err)
		}
	}
}

func TestNoNameMeansTwoMaterials(t *testing.T) {
	seen := map[string]string{}
	for _, m := range material.All() {
		for _, name := range append(m.Aliases, m.Name) {
			if seen[name] != "" {
				t.Errorf("%q names %s and %s", name, seen[name], m.Name)
			}
			seen[name] = m.Name
			if got := find(t, name); got.Name != m.Name {
				t.Errorf("%q finds %s, want %s", name, got.Name, m.Name)
			}
		}
		if m.Of != "" {
			find(t, m.Of)
		}
	}
}

// Case, spaces and words that name nothing change nothing.
func TestWordsThatNameNothingChangeNothing(t *testing.T) {
	names := material.Names()
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(names).Draw(t, "name")
		said := rapid.SampledFrom([]string{"", "hardened ", "  fine-grained, "}).Draw(t, "before") + name +
			rapid.SampledFrom([]string{"", " ", ", 58 HRC", " (bar)"}).Draw(t, "after")
		if rapid.Bool().Draw(t, "upper") {
			said = strings.ToUpper(said)
		}
		if m, err := material.Find(said); err != nil || m.Name != name {
			t.Fatalf("%q is %q (%v)", said, m.Name, err)
		}
	})
}

// A plan says these four of a part, and no more.
func TestTheJSONOfAMaterialIsWhatAPlanSays(t *testing.T) {
	b, err := json.Marshal(find(t, "bronze"))
	if want := `{"name":"bronze","e_gpa":100,"poisson":0.34,"strength_mpa":100}`; err != nil || string(b) != want {
		t.Errorf("%s, %v", b, err)
	}
}
