package analysis

import (
	"math/big"
	"strings"
	"testing"
)

// 1 in = 25.4 mm by definition (international yard and pound agreement, 1959); the
// codes are those of the Unified Code for Units of Measure (ucum.org).
func TestEachUnitIsAWholeNumberOfTenthsOfANanometre(t *testing.T) {
	for u, want := range map[Unit]struct {
		size       Length
		name, ucum string
		inch       bool
	}{
		NoUnit: {0, "", "", false},
		MM:     {10_000_000, "mm", "mm", false},
		UM:     {10_000, "µm", "um", false},
		IN:     {254_000_000, "in", "[in_i]", true},
		UIN:    {254, "µin", "u[in_i]", true},
	} {
		if u.Size() != want.size || u.String() != want.name || u.UCUM() != want.ucum || u.Inch() != want.inch {
			t.Errorf("%d: %d, %q, %q, inch %v; want %+v", u, u.Size(), u, u.UCUM(), u.Inch(), want)
		}
	}
	for what, same := range map[string][2]Length{
		"5 in are 127 mm":      {5 * Inch, 127 * Millimetre},
		"a thou is 25.4 µm":    {10 * Thou, 254 * Micrometre},
		"a thou is 1000 µin":   {Thou, 1000 * MicroInch},
		"an inch is 1000 thou": {Inch, 1000 * Thou},
		"a µm is 1000 nm":      {Micrometre, 1000 * Nanometre},
		"a mm is 1000 µm":      {Millimetre, 1000 * Micrometre},
		"a tenth is 2.54 µm":   {100 * tenth, 254 * Micrometre},
		"5 µin are 127 nm":     {5 * MicroInch, 127 * Nanometre},
	} {
		if same[0] != same[1] {
			t.Errorf("%s: %d and %d", what, same[0], same[1])
		}
	}
}

func TestAUnitIsReadHoweverItIsWritten(t *testing.T) {
	for want, texts := range map[Unit][]string{
		NoUnit: {""},
		MM:     {"mm", "MM", "Mm"},
		UM:     {"um", "UM", "µm", "μm", "µM", "ΜM", "Μm"}, // micro sign, Greek mu, and its capital
		IN:     {"in", "IN", "inch", "Inch", `"`, "[in_i]", "[IN_I]"},
		UIN:    {"uin", "UIN", "µin", "μin", "ΜIN", "u[in_i]", "U[IN_I]"},
	} {
		for _, text := range texts {
			if u, err := ParseUnit(text); err != nil || u != want {
				t.Errorf("%q is %q (%v), want %q", text, u, err, want)
			}
		}
	}
	for _, text := range []string{"cm", "m", "nm", "mil", "thou", "mm ", " mm", "in.", "''", "inches", "ft", "µ", "u", "mmm"} {
		if u, err := ParseUnit(text); err == nil || u != NoUnit || !strings.Contains(err.Error(), "give mm, um, in or uin") {
			t.Errorf("%q is %q (%v)", text, u, err)
		}
	}
}

func TestAUnitComesBackFromItsCodeAndItsName(t *testing.T) {
	for _, u := range append(allUnits(), NoUnit) {
		code, err := u.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		got := MM
		if err := got.UnmarshalText(code); err != nil || got != u {
			t.Errorf("%q is %q (%v), want %q", code, got, err, u)
		}
		if got, err := ParseUnit(u.String()); err != nil || got != u {
			t.Errorf("%q is %q (%v)", u, got, err)
		}
	}
	u := MM
	if err := u.UnmarshalText([]byte("furlong")); err == nil || u != NoUnit {
		t.Errorf("a furlong is %q (%v)", u, err)
	}
}

// The sizes that the oracle of these tests knows are those of the package.
func TestTheRationalSizesAreTheUnits(t *testing.T) {
	for _, u := range allUnits() {
		if one := inUnits(big.NewRat(1, 1), u); one.Cmp(big.NewRat(int64(u.Size()), 1)) != 0 {
			t.Errorf("%s: %s, size %d", u, one, u.Size())
		}
	}
}
