package analysis

import (
	"errors"
	"math"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestALengthIsWrittenRoundedHalfAwayFromZero(t *testing.T) {
	for _, c := range []struct {
		l      Length
		unit   Unit
		places int
		want   string
	}{
		{222_275_500, MM, 4, "22.2276"}, {222_275_499, MM, 4, "22.2275"}, {222_275_500, MM, 7, "22.2275500"}, {222_275_500, MM, 0, "22"}, {225_000_000, MM, 0, "23"},
		{-222_275_500, MM, 4, "-22.2276"}, {-222_275_499, MM, 4, "-22.2275"}, {-225_000_000, MM, 0, "-23"},
		// The half itself, in each unit.
		{5_000_000, MM, 0, "1"}, {4_999_999, MM, 0, "0"}, {5_000, UM, 0, "1"}, {4_999, UM, 0, "0"}, {127_000_000, IN, 0, "1"}, {126_999_999, IN, 0, "0"},
		{127, UIN, 0, "1"}, {126, UIN, 0, "0"}, {-127, UIN, 0, "-1"}, {500, UM, 1, "0.1"}, {499, UM, 1, "0.0"}, {12_700, IN, 4, "0.0001"}, {12_699, IN, 4, "0.0000"},
		// A carry goes through to the whole.
		{9_999_999, MM, 6, "1.000000"}, {99_999_500, MM, 3, "10.000"}, {999_999_999, MM, 0, "100"}, {9_996, UM, 3, "1.000"}, {253_999_999, IN, 5, "1.00000"},
		// What is rounded to nothing has no sign.
		{0, MM, 3, "0.000"}, {-1, MM, 4, "0.0000"}, {-499, UM, 1, "0.0"}, {-126, UIN, 0, "0"}, {0, UIN, 0, "0"}, {-1, MM, 7, "-0.0000001"},
		{222_275_400, IN, 5, "0.87510"}, {254, IN, 6, "0.000001"}, {254, UIN, 0, "1"}, {6350, UIN, 0, "25"}, {1, UIN, 4, "0.0039"}, {1, IN, 10, "0.0000000039"},
		{12_345, UM, 4, "1.2345"}, {12_345, UM, 6, "1.234500"},
		{math.MaxInt64, MM, 7, "922337203685.4775807"}, {math.MinInt64, MM, 7, "-922337203685.4775808"}, {math.MinInt64, UM, 0, "-922337203685478"},
		{math.MaxInt64, UIN, 0, "36312488334073921"}, {math.MinInt64, UIN, 1, "-36312488334073920.5"}, {math.MaxInt64, IN, 6, "36312488334.073921"},
	} {
		if got := c.l.Format(c.unit, c.places); got != c.want {
			t.Errorf("%d in %s to %d places: %q, want %q", c.l, c.unit, c.places, got, c.want)
		}
	}
}

func TestWhatIsNotNothingIsNotWrittenAsNothing(t *testing.T) {
	for _, c := range []struct {
		l      Length
		unit   Unit
		places int
		want   string
	}{
		{400, UM, 1, "0.04"}, {-400, UM, 1, "-0.04"}, {1, UM, 1, "0.0001"}, {600, UM, 1, "0.1"}, {500, UM, 1, "0.1"}, {0, UM, 1, "0.0"}, {12_345, UM, 1, "1.2"},
		{100, UIN, 0, "0.4"}, {1, UIN, 0, "0.004"}, {254, UIN, 0, "1"}, {0, UIN, 0, "0"}, {-1, UIN, 0, "-0.004"}, {1, MM, 3, "0.0000001"},
		{1, MM, 2, "0.000000"}, // four places more are the most
	} {
		if got := c.l.FormatSome(c.unit, c.places); got != c.want {
			t.Errorf("%d in %s to %d places: %q, want %q", c.l, c.unit, c.places, got, c.want)
		}
	}
}

func TestTenthsAreOfAThou(t *testing.T) {
	for _, c := range []struct {
		l          Length
		places     int
		want, some string
	}{
		{25_400, 1, "1.0", "1.0"}, {-25_400, 1, "-1.0", "-1.0"}, {50_800, 0, "2", "2"}, {2_794, 2, "0.11", "0.11"}, {1_270, 1, "0.1", "0.1"}, {1_269, 1, "0.0", "0.05"},
		{-1_269, 1, "0.0", "-0.05"}, {0, 1, "0.0", "0.0"}, {1, 1, "0.0", "0.00004"}, {254_000_000, 0, "10000", "10000"},
		{math.MaxInt64, 0, "363124883340739", "363124883340739"}, {math.MinInt64, 1, "-363124883340739.2", "-363124883340739.2"},
	} {
		if got, some := c.l.Tenths(c.places), c.l.TenthsSome(c.places); got != c.want || some != c.some {
			t.Errorf("%d to %d places: %q and %q, want %q and %q", c.l, c.places, got, some, c.want, c.some)
		}
	}
}

// written holds all ways to write a length in a unit against rational arithmetic.
func written(l Length, u Unit, places int) (what, got, want string) {
	number := new(big.Rat).Quo(big.NewRat(int64(l), 1), inUnits(big.NewRat(1, 1), u))
	tenths := new(big.Rat).Mul(big.NewRat(int64(l), 1), big.NewRat(1, 25_400)) // 2.54 µm
	some := func(number *big.Rat) string {
		for more := range 4 {
			if text := rounded(number, places+more); strings.Trim(text, "0.") != "" || l == 0 {
				return text
			}
		}
		return rounded(number, places+4)
	}
	for _, c := range [...][3]string{
		{"Format", l.Format(u, places), rounded(number, places)},
		{"FormatSome", l.FormatSome(u, places), some(number)},
		{"Tenths", l.Tenths(places), rounded(tenths, places)},
		{"TenthsSome", l.TenthsSome(places), some(tenths)},
	} {
		if c[1] != c[2] {
			return c[0], c[1], c[2]
		}
	}
	return "", "", ""
}

func TestALengthIsWrittenAsRationalsSay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := Length(digitsOf(t))
		u := rapid.SampledFrom(allUnits()).Draw(t, "unit")
		if rapid.Bool().Draw(t, "half") { // as near to a half of the last place as it can be
			l = l/100*u.Size() + u.Size()/rapid.SampledFrom([]Length{2, 20, 200}).Draw(t, "of") + Length(rapid.IntRange(-1, 1).Draw(t, "beside"))
		}
		places := rapid.IntRange(0, 15).Draw(t, "places")
		if what, got, want := written(l, u, places); got != want {
			t.Fatalf("%s of %d in %s to %d places: %q, want %q", what, l, u, places, got, want)
		}
	})
}

func FuzzFormat(f *testing.F) {
	for i, l := range []int64{0, 1, -1, 126, 127, 5000, 12_699, 12_700, 25_400, 222_275_500, 253_999_999, math.MaxInt64, math.MinInt64} {
		f.Add(l, uint8(i), uint8(i%9))
	}
	f.Fuzz(func(t *testing.T, l int64, unit, places uint8) {
		u, n := allUnits()[unit%4], int(places%24)
		if what, got, want := written(Length(l), u, n); got != want {
			t.Fatalf("%s of %d in %s to %d places: %q, want %q", what, l, u, n, got, want)
		}
	})
}

func TestExactHasAllDecimalsAndNoMore(t *testing.T) {
	for _, c := range []struct {
		l    Length
		unit Unit
		want string
	}{
		{222_275_000, MM, "22.2275"}, {222_275_000, UM, "22227.5"}, {1, MM, "0.0000001"}, {-1, UM, "-0.0001"}, {0, IN, "0"}, {222_250_000, IN, "0.875"}, {127, IN, "0.0000005"},
		{127, UIN, "0.5"}, {-254, UIN, "-1"}, {10_000_000, MM, "1"}, {2_540_000_000, IN, "10"}, {math.MaxInt64, MM, "922337203685.4775807"},
	} {
		if got, err := c.l.Exact(c.unit); err != nil || got != c.want {
			t.Errorf("%d in %s: %q, %v; want %q", c.l, c.unit, got, err, c.want)
		}
	}
	for _, c := range []struct {
		l    Length
		unit Unit
		want error
	}{{1, IN, ErrFiner}, {1, UIN, ErrFiner}, {-126, UIN, ErrFiner}, {222_275_001, IN, ErrFiner}, {1, NoUnit, ErrNoUnit}, {0, NoUnit, ErrNoUnit}} {
		if got, err := c.l.Exact(c.unit); err != c.want || got != "" {
			t.Errorf("%d in %s: %q, %v; want %v", c.l, c.unit, got, err, c.want)
		}
	}
}

// A number has a finite expansion where nothing but twos and fives is left below it.
func TestExactIsReadBackAsTheSameLength(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := max(Length(digitsOf(t)), -math.MaxInt64)
		u := rapid.SampledFrom(allUnits()).Draw(t, "unit")
		text, err := l.Exact(u)
		if finite := !u.Inch() || l%127 == 0; finite != (err == nil) || err != nil && !errors.Is(err, ErrFiner) {
			t.Fatalf("%d in %s: %q, %v", l, u, text, err)
		}
		if err != nil {
			return
		}
		if strings.Contains(text, ".") && strings.HasSuffix(text, "0") {
			t.Fatalf("%d in %s has a zero too many: %q", l, u, text)
		}
		if got, err := ParseLength(text + " " + u.String()); err != nil || got != l {
			t.Fatalf("%s %s is read as %d (%v), was %d", text, u, got, err, l)
		}
	})
}

func TestALengthSaysItselfInMillimetres(t *testing.T) {
	for l, want := range map[Length]string{
		222_275_000: "22.2275 mm", 10_000_000: "1 mm", 0: "0 mm", -1: "-0.0000001 mm", 100_000_000: "10 mm", 1_000_000_000: "100 mm", math.MaxInt64: "922337203685.4775807 mm",
	} {
		if got := l.String(); got != want {
			t.Errorf("%d: %q, want %q", l, got, want)
		}
		if back, err := ParseLength(want); err != nil || back != l {
			t.Errorf("%q is read as %d (%v)", want, back, err)
		}
	}
}

func TestAComputationTakesAndGivesMicrometres(t *testing.T) {
	for l, um := range map[Length]float64{0: 0, 1: 0.0001, 10_000: 1, -25_400: -2.54, 222_275_000: 22_227.5} {
		if got := l.Micrometres(); got != um {
			t.Errorf("%d: %v µm, want %v", l, got, um)
		}
		if got, err := FromMicrometres(um); err != nil || got != l {
			t.Errorf("%v µm: %d, %v; want %d", um, got, err, l)
		}
	}
	for um, want := range map[float64]Length{0.00005: 1, -0.00005: -1, 0.000049: 0, 2.54004999: 25_400, 2.54005001: 25_401} { // half away from zero
		if got, err := FromMicrometres(um); err != nil || got != want {
			t.Errorf("%v µm: %d, %v; want %d", um, got, err, want)
		}
	}
	for _, um := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e15, -1e15, 1 << 62, math.MaxFloat64, 922_337_203_685_477.5807} {
		if got, err := FromMicrometres(um); err != ErrRange || got != 0 {
			t.Errorf("%v µm: %d, %v", um, got, err)
		}
	}
	rapid.Check(t, func(t *rapid.T) { // a float64 holds 53 bits
		l := Length(rapid.Int64Range(-1<<50, 1<<50).Draw(t, "length"))
		if got, err := FromMicrometres(l.Micrometres()); err != nil || got != l {
			t.Fatalf("%d comes back as %d (%v)", l, got, err)
		}
	})
}

func TestAbsHasNoSign(t *testing.T) {
	for l, want := range map[Length]Length{0: 0, 5: 5, -5: 5, math.MaxInt64: math.MaxInt64, -math.MaxInt64: math.MaxInt64} {
		if got := l.Abs(); got != want {
			t.Errorf("|%d| is %d", l, got)
		}
	}
}
