package analysis

import (
	"encoding/json"
	"errors"
	"math"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// wire is what each exact value is on the wire.
type wire struct {
	Length      Length      `json:"mm"`
	Deviation   Deviation   `json:"um"`
	Angle       Angle       `json:"deg"`
	Temperature Temperature `json:"celsius"`
}

func TestExactValuesAreJSONNumbers(t *testing.T) {
	for want, v := range map[string]wire{
		`{"mm":22.2275,"um":-2.54,"deg":90,"celsius":20.125}`:                                               {222_275_000, -25_400, 90_000, 20_125},
		`{"mm":0,"um":0,"deg":0,"celsius":0}`:                                                               {},
		`{"mm":-0.0000001,"um":0.0001,"deg":-0.001,"celsius":-0.05}`:                                        {-1, 1, -1, -50},
		`{"mm":100,"um":10,"deg":360,"celsius":-40}`:                                                        {1_000_000_000, 100_000, 360_000, -40_000},
		`{"mm":922337203685.4775807,"um":922337203685477.5807,"deg":2147483.647,"celsius":2147483.647}`:     {math.MaxInt64, math.MaxInt64, math.MaxInt32, math.MaxInt32},
		`{"mm":-922337203685.4775807,"um":-922337203685477.5807,"deg":-2147483.648,"celsius":-2147483.648}`: {-math.MaxInt64, -math.MaxInt64, math.MinInt32, math.MinInt32},
	} {
		got, err := json.Marshal(v)
		if err != nil || string(got) != want {
			t.Errorf("%s, %v; want %s", got, err, want)
		}
		var back wire
		if err := json.Unmarshal([]byte(want), &back); err != nil || back != v {
			t.Errorf("%s: %+v, %v", want, back, err)
		}
	}
}

// Null leaves what was there, as is usual of JSON in Go.
func TestNullLeavesAnExactValueAsItWas(t *testing.T) {
	v := wire{1, 2, 3, 4}
	if err := json.Unmarshal([]byte(`{"mm":null,"um":null,"deg":null,"celsius":null}`), &v); err != nil || v != (wire{1, 2, 3, 4}) {
		t.Errorf("%+v, %v", v, err)
	}
}

func TestWhatIsNoExactValueIsRefused(t *testing.T) {
	for text, want := range map[string]error{
		`{"mm":0.00000001}`: ErrFiner, `{"um":0.00001}`: ErrFiner, `{"mm":922337203686}`: ErrRange, `{"um":-922337203685478000}`: ErrRange, `{"um":1e3}`: ErrNumber, `{"mm":"22 mm"}`: ErrNumber,
		`{"mm":true}`: ErrNumber, `{"um":{}}`: ErrNumber, `{"mm":1.00000000000000000000001}`: ErrFiner, `{"mm":99999999999999999999}`: ErrRange,
		`{"deg":2147483.648}`: ErrRange, `{"celsius":-2147483.649}`: ErrRange, `{"deg":99999999999999999999}`: ErrRange, `{"celsius":"20"}`: ErrNumber, `{"deg":1e1}`: ErrNumber,
		`{"deg":9223372036854775807}`: ErrRange,
	} {
		v := wire{Angle: 5, Temperature: 5}
		if err := json.Unmarshal([]byte(text), &v); !errors.Is(err, want) || v != (wire{Angle: 5, Temperature: 5}) {
			t.Errorf("%s: %+v, %v; want %v", text, v, err, want)
		}
	}
	for _, text := range []string{`{"deg":0.0001}`, `{"celsius":20.00000000000000000000001}`, `{"celsius":-0.0005}`} {
		var v wire
		if err := json.Unmarshal([]byte(text), &v); err == nil || !strings.Contains(err.Error(), "finer than a thousandth of a degree") || v != (wire{}) {
			t.Errorf("%s: %+v, %v", text, v, err)
		}
	}
	var v wire // zeros behind the last place say nothing
	if err := json.Unmarshal([]byte(`{"mm":1.00000000000,"um":2.00000000000000000000000,"deg":3.0000000,"celsius":-4.00000000000000000000000}`), &v); err != nil ||
		v != (wire{10_000_000, 20_000, 3_000, -4_000}) {
		t.Errorf("%+v, %v", v, err)
	}
}

// jsonNumber writes a number of tenths of a nanometre, or thousandths, as JSON has it.
func jsonNumber(v, one int64) string {
	text := new(big.Rat).SetFrac64(v, one).FloatString(7)
	return strings.TrimRight(strings.TrimRight(text, "0"), ".")
}

func TestWhatIsAppendedIsTheExactNumberAndComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, small := max(digitsOf(t), -math.MaxInt64), rapid.Int32().Draw(t, "angle")
		v := wire{Length(n), Deviation(n), Angle(small), Temperature(small)}
		for what, c := range map[string][2]string{
			"length":      {string(v.Length.AppendJSON([]byte("x"))), jsonNumber(n, 10_000_000)},
			"deviation":   {string(v.Deviation.AppendJSON([]byte("x"))), jsonNumber(n, 10_000)},
			"angle":       {string(v.Angle.AppendJSON([]byte("x"))), jsonNumber(int64(small), 1000)},
			"temperature": {"x" + strings.TrimSuffix(v.Temperature.String(), " °C"), jsonNumber(int64(small), 1000)},
		} {
			if c[0] != "x"+c[1] {
				t.Fatalf("%s: %s, want x%s", what, c[0], c[1])
			}
		}
		b, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		var back wire
		if err := json.Unmarshal(b, &back); err != nil || back != v {
			t.Fatalf("%s: %+v, %v; was %+v", b, back, err, v)
		}
	})
}

// The least int64 is no Length, but must not spoil a line.
func TestTheLeastIntegerIsAppendedToo(t *testing.T) {
	if got := string(Length(math.MinInt64).AppendJSON(nil)); got != "-922337203685.4775808" {
		t.Error(got)
	}
}

// What writes many readings a second does not allocate for each number.
func TestAppendingAllocatesNothing(t *testing.T) {
	b := make([]byte, 0, 128)
	if n := testing.AllocsPerRun(100, func() {
		b = Length(-222_275_001).AppendJSON(b[:0])
		b = Deviation(25_401).AppendJSON(b)
		b = Angle(90_001).AppendJSON(b)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// FuzzJSON holds what is read from a message against rational arithmetic, and that it is
// written back as the same number.
func FuzzJSON(f *testing.F) {
	for _, text := range []string{"22.2275", "-0.0000001", "0", "-0", "1e3", "null", "922337203685.4775807", "922337203685.4775808", "1.00000000000000000000", "0.00000000000000000001", `"1"`, "", "1,5", "2147483.647", "-2147483.649", "20.0005"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		digits, places, err := ParseDecimal(text)
		whole := new(big.Rat).Mul(big.NewRat(digits, 1), powerOfTen(-places))
		for what, c := range map[string]struct {
			read  func(b []byte) (int64, error)
			write func(v int64) []byte
			one   int64
			most  int64
		}{
			"length": {func(b []byte) (int64, error) { var l Length; err := l.UnmarshalJSON(b); return int64(l), err },
				func(v int64) []byte { return Length(v).AppendJSON(nil) }, 10_000_000, math.MaxInt64},
			"deviation": {func(b []byte) (int64, error) { var d Deviation; err := d.UnmarshalJSON(b); return int64(d), err },
				func(v int64) []byte { return Deviation(v).AppendJSON(nil) }, 10_000, math.MaxInt64},
			"angle": {func(b []byte) (int64, error) { var a Angle; err := a.UnmarshalJSON(b); return int64(a), err },
				func(v int64) []byte { return Angle(v).AppendJSON(nil) }, 1000, math.MaxInt32},
		} {
			v, failed := c.read([]byte(text))
			exact := new(big.Rat).Mul(whole, big.NewRat(c.one, 1))
			fits := err == nil && exact.IsInt() && new(big.Rat).Abs(exact).Cmp(big.NewRat(c.most, 1)) <= 0
			switch {
			case text == "null" && (failed != nil || v != 0):
				t.Fatalf("%s: null is %d, %v", what, v, failed)
			case text == "null":
			case what == "angle" && exact.Cmp(big.NewRat(math.MinInt32, 1)) == 0: // one more below than above
			case fits != (failed == nil) || fits && exact.Cmp(big.NewRat(v, 1)) != 0:
				t.Fatalf("%s: %q is %d, %v; want %s, fits %v", what, text, v, failed, exact, fits)
			case fits:
				b := c.write(v)
				if again, err := c.read(b); err != nil || again != v || !json.Valid(b) {
					t.Fatalf("%s: %q is written %s and read as %d (%v)", what, text, b, again, err)
				}
			}
		}
	})
}
