package notation_test

import (
	"math/big"
	"strings"
	"testing"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

// exact is what a text says, as a number of tenths of a nanometre, and half of its last
// place. A size in inches has its last digits set apart.
func exact(t *testing.T, text string) (value, half *big.Rat) {
	t.Helper()
	number, unit, ok := strings.Cut(text, " ")
	number = strings.NewReplacer("−", "-", "|", "", "+", "", ",", ".").Replace(number)
	v, is := new(big.Rat).SetString(number)
	if !ok || !is {
		t.Fatalf("%q is no number with a unit", text)
	}
	one := big.NewRat(map[string]int64{"µm": 10_000, "mm": 10_000_000, "in": 254_000_000, "tenths": 25_400, "millionths": 254}[unit], 1)
	if one.Sign() == 0 {
		t.Fatalf("%q has no unit of length", text)
	}
	half = new(big.Rat).Quo(one, big.NewRat(2, 1))
	if _, places, ok := strings.Cut(number, "."); ok {
		for range places {
			half.Quo(half, big.NewRat(10, 1))
		}
	}
	return v.Mul(v, one), half
}

// Whatever length stands in a phrase is written to the nearest in its last place, held
// against exact rational arithmetic: in each unit, with point and comma.
func FuzzPhraseSaysItsLengths(f *testing.F) {
	for _, v := range []int64{0, 1, -1, 400, 25_400, -25_399, 127, 317_513_000, 22_227_550_000, 9_999_999} {
		f.Add(v)
	}
	l, err := notation.Parse("test", "x(v) = {v}", nil)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, v int64) {
		if v > 1e15 || v < -1e15 { // 100 m
			return
		}
		for _, u := range []analysis.Unit{analysis.MM, analysis.IN, analysis.UIN} {
			for _, sign := range []notation.DecimalSign{notation.Point, notation.Comma} {
				w := notation.In(u)
				w.Language, w.Sign = l, sign
				for _, arg := range []any{analysis.Deviation(v), analysis.Fine(v), analysis.Offset(v), analysis.Length(v), analysis.Size(v)} {
					text := w.Text("x", arg)
					said, half := exact(t, text)
					off := said.Sub(said, big.NewRat(v, 1))
					if off.Abs(off).Cmp(half) > 0 {
						t.Errorf("%T %d in %s: %q", arg, v, u, text)
					}
					if d, ok := arg.(analysis.Deviation); ok && d != 0 && strings.Trim(strings.Fields(text)[0], "−0.,") == "" {
						t.Errorf("%d in %s is said to be nothing: %q", v, u, text)
					}
				}
			}
		}
	})
}
