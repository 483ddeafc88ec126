package analysis

import (
	"errors"
	"math"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestADecimalIsReadAsDigitsAndPlaces(t *testing.T) {
	for text, want := range map[string]struct {
		digits int64
		places int
	}{
		"22.2275": {222275, 4}, "22,2275": {222275, 4}, "-0.0010": {-10, 4}, "−3": {-3, 0}, "+3": {3, 0}, "0": {0, 0}, "-0": {0, 0},
		"007": {7, 0}, ".5": {5, 1}, "5.": {5, 0}, "-.5": {-5, 1}, "0.000": {0, 3},
		"9223372036854775807":                  {math.MaxInt64, 0},
		"-9223372036854775807":                 {-math.MaxInt64, 0},
		"922337203685477580.7":                 {math.MaxInt64, 1},
		"0.9223372036854775807":                {math.MaxInt64, 19},
		"1.000000000000000000000":              {1_000_000_000_000_000_000, 18},
		"00000000000000000000000000001":        {1, 0},
		"922337203685477580.7000000000000000":  {math.MaxInt64, 1},
		"-922337203685477580.7000000000000000": {-math.MaxInt64, 1},
	} {
		if digits, places, err := ParseDecimal(text); err != nil || digits != want.digits || places != want.places {
			t.Errorf("%q: %d, %d, %v; want %d, %d", text, digits, places, err, want.digits, want.places)
		}
	}
}

func TestWhatIsNoDecimalIsRefused(t *testing.T) {
	for text, want := range map[string]error{
		"": ErrNumber, "-": ErrNumber, "+": ErrNumber, ".": ErrNumber, "-.": ErrNumber, "1.2.3": ErrNumber, "1,234.5": ErrNumber, "1e3": ErrNumber,
		"--1": ErrNumber, "+-1": ErrNumber, "-+1": ErrNumber, "-−1": ErrNumber, "1-": ErrNumber, " 1": ErrNumber, "1 ": ErrNumber, "0x10": ErrNumber, "1_000": ErrNumber,
		"٣": ErrNumber, "NaN": ErrNumber, "Inf": ErrNumber, "1\x00": ErrNumber,
		"9223372036854775808": ErrRange, "-9223372036854775808": ErrRange, "99999999999999999999.5": ErrRange,
	} {
		if digits, places, err := ParseDecimal(text); err != want || digits != 0 || places != 0 {
			t.Errorf("%q: %d, %d, %v; want %v", text, digits, places, err, want)
		}
	}
}

// Of more decimals than can be held those that can are handed on.
func TestADecimalOfTooManyPlacesIsCutAndSaysSo(t *testing.T) {
	for text, want := range map[string]struct {
		digits int64
		places int
	}{
		"1.2345678901234567891": {1234567890123456789, 18}, "0.99999999999999999999": {999999999999999999, 18}, "-922337203685477580.71": {-math.MaxInt64, 1},
		"9.2233720368547758080": {922337203685477580, 17}, "0.00000000000000000000": {0, 20},
	} {
		digits, places, err := ParseDecimal(text)
		if whole := want.digits == 0; digits != want.digits || places != want.places || whole != (err == nil) || !whole && err != ErrFiner {
			t.Errorf("%q: %d, %d, %v; want %d, %d", text, digits, places, err, want.digits, want.places)
		}
	}
}

func TestADecimalIsReadAsARationalIs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`-?[0-9]{1,19}(\.[0-9]{0,24})?`).Draw(t, "text")
		exact, _ := new(big.Rat).SetString(strings.TrimSuffix(text, "."))
		digits, places, err := ParseDecimal(text)
		got := new(big.Rat).Mul(big.NewRat(digits, 1), powerOfTen(-places))
		switch off := new(big.Rat).Sub(exact, got); {
		case err == nil && off.Sign() != 0:
			t.Fatalf("%s: %d, %d", text, digits, places)
		case err == ErrFiner && (off.Sign() == 0 || off.Sign() != exact.Sign() || off.Abs(off).Cmp(powerOfTen(-places)) >= 0):
			t.Fatalf("%s is cut to %d, %d", text, digits, places)
		case err == ErrRange && exact.Abs(exact).Cmp(beyond()) < 0:
			t.Fatalf("%s is called too large", text)
		case err != nil && err != ErrFiner && err != ErrRange:
			t.Fatalf("%s: %v", text, err)
		}
	})
}

func TestFromDecimal(t *testing.T) {
	for _, c := range []struct {
		digits int64
		places int
		unit   Unit
		want   Length // worked out by hand from 1 in = 25.4 mm
		err    error
	}{
		{222275, 4, MM, 222_275_000, nil}, {-3, 0, UM, -30_000, nil}, {87510, 5, IN, 222_275_400, nil}, {25, 0, UIN, 6350, nil},
		{5, 1, UIN, 127, nil}, {-5, 1, UIN, -127, nil}, {5, 7, IN, 127, nil}, {1, 7, MM, 1, nil}, {1, 4, UM, 1, nil},
		// One digit below what a unit can be kept to.
		{1, 8, MM, 0, ErrFiner}, {1, 5, UM, 0, ErrFiner}, {1, 1, UIN, 0, ErrFiner}, {1, 7, IN, 0, ErrFiner}, {-1, 8, MM, 0, ErrFiner}, {5, 2, UIN, 0, ErrFiner},
		// Zeros behind the last digit say nothing.
		{10, 8, MM, 1, nil}, {1_000_000_000_000_000_000, 25, MM, 1, nil}, {50, 2, UIN, 127, nil},
		// The ends of the range, exactly and by one 0.1 nm more.
		{math.MaxInt64, 7, MM, math.MaxInt64, nil}, {-math.MaxInt64, 7, MM, -math.MaxInt64, nil}, {math.MaxInt64, 4, UM, math.MaxInt64, nil},
		{math.MinInt64, 7, MM, 0, ErrRange}, {math.MinInt64, 4, UM, 0, ErrRange}, {math.MaxInt64, 6, MM, 0, ErrRange}, {math.MaxInt64, 0, UIN, 0, ErrRange},
		{922_337_203_685, 0, MM, 9_223_372_036_850_000_000, nil}, {922_337_203_686, 0, MM, 0, ErrRange}, {-922_337_203_686, 0, MM, 0, ErrRange},
		{36_312_488_334, 0, IN, 9_223_372_036_836_000_000, nil}, {36_312_488_335, 0, IN, 0, ErrRange}, {-36_312_488_335, 0, IN, 0, ErrRange},
		{math.MaxInt64, 1, UIN, 0, ErrRange}, {math.MinInt64, 1, UIN, 0, ErrRange}, {math.MaxInt64, 3, UIN, 0, ErrFiner}, {math.MinInt64, 3, UIN, 0, ErrFiner},
		// A number far too fine, however large its digits.
		{math.MaxInt64, 40, MM, 0, ErrFiner}, {1, math.MaxInt, IN, 0, ErrFiner}, {127, 21, UIN, 0, ErrFiner},
		// Places below 0 are zeros.
		{3, -1, UM, 300_000, nil}, {1, -11, MM, 1_000_000_000_000_000_000, nil}, {1, -12, MM, 0, ErrRange}, {-1, math.MinInt, UIN, 0, ErrRange},
		// Nothing is nothing, with any places.
		{0, 0, MM, 0, nil}, {0, 30, IN, 0, nil}, {0, -30, MM, 0, nil}, {0, math.MaxInt, UIN, 0, nil}, {0, math.MinInt, UM, 0, nil},
		{0, 0, NoUnit, 0, ErrNoUnit}, {5, 3, NoUnit, 0, ErrNoUnit},
	} {
		if got, err := FromDecimal(c.digits, c.places, c.unit); got != c.want || err != c.err {
			t.Errorf("%d, %d places, %s: %d, %v; want %d, %v", c.digits, c.places, c.unit, got, err, c.want, c.err)
		}
	}
}

// digitsOf draws numbers of all sizes, round ones too.
func digitsOf(t *rapid.T) int64 {
	digits := rapid.Int64().Draw(t, "digits")
	for range rapid.IntRange(0, 18).Draw(t, "shorter") {
		digits /= 10
	}
	for range rapid.IntRange(0, 6).Draw(t, "rounder") {
		digits -= digits % 10
		digits = digits / 10 * rapid.SampledFrom([]int64{1, 2, 5, 10, 127}).Draw(t, "times")
	}
	return digits
}

func TestFromDecimalIsWhatRationalsSay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		digits, places := digitsOf(t), rapid.IntRange(-25, 45).Draw(t, "places")
		u := rapid.SampledFrom(allUnits()).Draw(t, "unit")
		got, err := FromDecimal(digits, places, u)
		exact := inUnits(new(big.Rat).Mul(big.NewRat(digits, 1), powerOfTen(-places)), u)
		if err := agrees(exact, got, err); err != nil {
			t.Fatalf("%d, %d places, %s: %v", digits, places, u, err)
		}
	})
}

func FuzzFromDecimal(f *testing.F) {
	for _, d := range []int64{0, 1, -1, 5, 127, 222275, math.MaxInt64, math.MinInt64, 36_312_488_334} {
		for i, places := range []int8{0, 1, 4, 7, 8, 19, 20, -1, -12} {
			f.Add(d, places, uint8(i))
		}
	}
	f.Fuzz(func(t *testing.T, digits int64, places int8, unit uint8) {
		u := Unit(unit % 5)
		got, err := FromDecimal(digits, int(places), u)
		if u == NoUnit {
			if got != 0 || err != ErrNoUnit {
				t.Fatalf("without a unit: %d, %v", got, err)
			}
			return
		}
		exact := inUnits(new(big.Rat).Mul(big.NewRat(digits, 1), powerOfTen(-int(places))), u)
		if err := agrees(exact, got, err); err != nil {
			t.Fatalf("%d, %d places, %s: %v", digits, places, u, err)
		}
	})
}

func TestALengthIsReadInEveryUnit(t *testing.T) {
	for text, want := range map[string]Length{
		"22.2275 mm": 222_275_000, "22,2275mm": 222_275_000, "  -3 um ": -30_000, "-3 µm": -30_000, "−3 μm": -30_000, "0.87510 in": 222_275_400,
		`0.87510"`: 222_275_400, "0.87510 [in_i]": 222_275_400, "0.87510 INCH": 222_275_400, "25uin": 6350, "25 u[in_i]": 6350, "+1 mm": 10_000_000,
		".5 mm": 5_000_000, "5. mm": 50_000_000, "0 mm": 0, "-0.0 in": 0, "\t1\u00a0mm\n": 10_000_000, "922337203685.4775807 mm": math.MaxInt64,
		"-922337203685.4775807 mm": -math.MaxInt64, "1 ΜM": 10_000,
	} {
		if got, err := ParseLength(text); err != nil || got != want {
			t.Errorf("%q: %d, %v; want %d", text, got, err, want)
		}
	}
	for text, want := range map[string]error{
		"": ErrNumber, "mm": ErrNumber, "- mm": ErrNumber, "1.2.3 mm": ErrNumber, "22.2275": ErrNoUnit, "0": ErrNoUnit, "1e3 mm": ErrNumber,
		"0.00000001 mm": ErrFiner, "922337203685.4775808 um": ErrFiner, "922337203686 mm": ErrRange, "-9223372036854775808 uin": ErrRange, "7/8": ErrNoUnit,
	} {
		if got, err := ParseLength(text); !errors.Is(err, want) || got != 0 || !strings.HasPrefix(err.Error(), "length ") {
			t.Errorf("%q: %d, %v; want %v", text, got, err, want)
		}
	}
}

// A fraction of large numbers is no large fraction.
func TestAFractionOfLargeNumbersIsRead(t *testing.T) {
	for text, want := range map[string]Length{
		"100000000000/100000000000 in":                254_000_000,
		"9223372036854775807/9223372036854775807 in":  254_000_000,
		"-4611686018427387904/9223372036854775807 in": 0, // a shade more than a half
		"1-500000000000/1000000000000 in":             381_000_000,
	} {
		got, err := ParseLength(text)
		if want == 0 && !errors.Is(err, ErrFiner) || want != 0 && err != nil || got != want {
			t.Errorf("%q: %d, %v; want %d", text, got, err, want)
		}
	}
}

func TestALengthTakesItsTextFromAConfiguration(t *testing.T) {
	var l Length
	var d Deviation
	if err := errors.Join(l.UnmarshalText([]byte("1-1/4 in")), d.UnmarshalText([]byte("-25 uin"))); err != nil || l != 317_500_000 || d != -6350 {
		t.Errorf("%d, %d, %v", l, d, err)
	}
	if l.UnmarshalText([]byte("1")) == nil || d.UnmarshalText([]byte("one mm")) == nil || l != 0 || d != 0 {
		t.Errorf("without a unit or number: %d, %d", l, d)
	}
}

// FuzzParseLength holds what is read against rational arithmetic on the same text.
func FuzzParseLength(f *testing.F) {
	for _, text := range []string{
		"22.2275 mm", "-3 um", "0.87510 in", "25uin", "7/8 in", "1-1/4 in", `1 1/4"`, "1 - 1/4 in", "1-1 /4 in", "5/4 inch", "1/3 in", "1-5/4 in", "7/0 in", "7/8 mm", "1,5 µm", "−.5 μin", "ΜM",
		"9223372036854775807 uin", "922337203685.4775807 mm", "36312488334-1/3 in", "36312488334-1/13 in", "36312488334-1/2 in", "0.00000000000000000001 mm", "1.0000000000000000000000 in", "", "/", "1/", "mm", "\u00a01\u2009mm",
	} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got, err := ParseLength(text)
		exact, ok := readExactly(t, text)
		if !ok {
			if err == nil || got != 0 {
				t.Fatalf("%q is no length, and read as %d", text, got)
			}
			return
		}
		// Of digits that an int64 can't hold either reason is right where both are, and a
		// fraction of them is refused.
		none := !exact.IsInt() || new(big.Rat).Abs(exact).Cmp(beyond()) >= 0 || strings.Contains(text, "/")
		if none && tooLong(text) && got == 0 && (errors.Is(err, ErrRange) || errors.Is(err, ErrFiner)) {
			return
		}
		if err := agrees(exact, got, err); err != nil {
			t.Fatalf("%q: %v", text, err)
		}
	})
}

// tooLong reports whether a run of digits in a text has more than an int64 holds.
func tooLong(text string) bool {
	digits := 0
	for _, r := range text {
		switch {
		case r >= '0' && r <= '9':
			digits++
		case r != '.' && r != ',':
			digits = 0
		}
		if digits > 18 {
			return true
		}
	}
	return false
}
