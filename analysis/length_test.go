package analysis

import (
	"errors"
	"fmt"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestParseLength_Fractions(t *testing.T) {
	for in, want := range map[string]Length{ // worked out by hand from 1 in = 25.4 mm
		"7/8 in": 222_250_000, `7/8"`: 222_250_000, "7/8in": 222_250_000, "-7/8 in": -222_250_000, "−7/8 in": -222_250_000,
		"1-1/4 in": 317_500_000, "1 1/4 in": 317_500_000, " 1-1/4\" ": 317_500_000, "-1-1/4 in": -317_500_000, "+1 1/4 in": 317_500_000,
		"5/4 in": 317_500_000, "1/64 in": 3_968_750, "1/127 in": 2_000_000, "0/3 in": 0, "2-63/64 in": 758_031_250,
	} {
		if got, err := ParseLength(in); err != nil || got != want {
			t.Errorf("%q: %d, %v; want %d", in, got, err, want)
		}
	}
	for in, want := range map[string]error{
		"1/256 in": ErrFiner, "1/3 in": ErrFiner, "7/8 mm": ErrInches, "7/8 uin": ErrInches, "7/8": ErrNoUnit, "7/0 in": ErrNumber, "1-5/4 in": ErrNumber,
		"1-/4 in": ErrNumber, "/8 in": ErrNumber, "7/ in": ErrNumber, "1/2/4 in": ErrNumber, "--7/8 in": ErrNumber, "1--1/4 in": ErrNumber, "1.5/8 in": ErrNumber,
		"1,1/4 in": ErrNumber, "1 -1/4 in": ErrNumber, "-+7/8 in": ErrNumber, "99999999999999999999/8 in": ErrRange, "9999999999999999-1/8 in": ErrRange, "36313729161-1/2 in": ErrRange,
	} {
		if got, err := ParseLength(in); !errors.Is(err, want) {
			t.Errorf("%q: %d, %v; want %v", in, got, err, want)
		}
	}
}

// What has too many decimals is called too fine, what is too large too large.
func TestParseLength_TooFineOrTooLarge(t *testing.T) {
	for in, want := range map[string]error{
		"22.22750000000000000001 mm":      ErrFiner,
		"1.234567890123456789 in":         ErrFiner,
		"0.99999999999999999999 um":       ErrFiner,
		"0.00000000000000000001 mm":       ErrFiner,
		"22.2275000000000000000000000 mm": nil,
		"0.000000000000000000000 in":      nil,
		"99999999999999999999 mm":         ErrRange,
		"9223372036854775807 mm":          ErrRange,
		"9223372036854775807.1 um":        ErrRange,
		"3631372916100.5 in":              ErrRange,
		"22.22750000000000000001 xx":      nil,
	} {
		got, err := ParseLength(in)
		switch {
		case strings.HasSuffix(in, "xx"):
			if err == nil {
				t.Errorf("%q: %d", in, got)
			}
		case !errors.Is(err, want):
			t.Errorf("%q: %d, %v; want %v", in, got, err, want)
		case errors.Is(err, ErrFiner) && !strings.Contains(err.Error(), "finer than 0.1 nm"):
			t.Errorf("%q: %v", in, err)
		}
	}
	var a Temperature
	if err := a.UnmarshalJSON([]byte("20.0000000000000000000001")); err == nil || !strings.Contains(err.Error(), "thousandth of a degree") {
		t.Errorf("a temperature too fine: %v", err)
	}
}

// A length is what exact rational arithmetic makes of its text, or refused by what
// that says of it.
func TestParseLength_ByRationals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom([]Unit{MM, UM, IN, UIN}).Draw(t, "unit")
		value, text := new(big.Rat), ""
		if unit == IN && rapid.Bool().Draw(t, "fraction") {
			under := rapid.SampledFrom([]int64{2, 3, 4, 5, 8, 16, 32, 64, 127, 128, 254, 1000}).Draw(t, "under")
			whole, top := rapid.Int64Range(0, 40_000_000_000).Draw(t, "whole"), rapid.Int64Range(0, under-1).Draw(t, "top")
			text = fmt.Sprintf("%d%s%d/%d", whole, rapid.SampledFrom([]string{"-", " "}).Draw(t, "between"), top, under)
			value.Add(big.NewRat(whole, 1), big.NewRat(top, under))
		} else {
			text = rapid.StringMatching(`-?[0-9]{1,18}(\.[0-9]{0,22}[05]?)?`).Draw(t, "decimal")
			value.SetString(strings.TrimSuffix(text, "."))
		}
		value.Mul(value, big.NewRat(int64(unit.Size()), 1))
		most := big.NewRat(1<<63-1, 1)
		got, err := ParseLength(text + " " + unit.String())
		switch abs := new(big.Rat).Abs(value); {
		case abs.Cmp(new(big.Rat).Add(most, big.NewRat(1, 1))) >= 0:
			if !errors.Is(err, ErrRange) {
				t.Fatalf("%s %s: %d, %v; want too large", text, unit, got, err)
			}
		case !value.IsInt():
			if !errors.Is(err, ErrFiner) {
				t.Fatalf("%s %s: %d, %v; want too fine", text, unit, got, err)
			}
		case err != nil || value.Cmp(big.NewRat(int64(got), 1)) != 0:
			t.Fatalf("%s %s: %d, %v; want %s", text, unit, got, err, value)
		}
	})
}
