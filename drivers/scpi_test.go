package drivers

import (
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestSCPI(t *testing.T) {
	for _, tc := range []struct {
		name    string
		options Options
		reply   string
		want    string
	}{
		{"NR1", nil, "127", "127"},
		{"NR2", nil, "-12.7003", "-12.7003"},
		{"NR3", nil, "+1.27003000E+01", "12.7003000"},
		{"NR3, small", nil, "-4.4E-03", "-0.0044"},
		{"NR3, no point", nil, "127e2", "12700"},
		{"NR3, beyond an int64", nil, "1E19", "reject number too large"},
		{"NR3, too fine", nil, "1E-19", "reject number too large"},
		{"NR3, zeros make it fine enough", nil, "1.0000000E-17", "0.000000000000000010"},
		{"zero of any exponent", nil, "0.0E+20", "0"},
		{"zero, fine", nil, "0E-30", "0.000000000000000000"},
		{"overload", nil, "+9.90000000E+37", "reject over range"},
		{"overload below", nil, "-9.9E37", "reject over range"},
		{"overload, spelt otherwise", nil, "99000E33", "reject over range"},
		{"not a number", nil, "9.91E37", "reject no number"},
		{"not a number in words", nil, "NAN", "reject no number"},
		{"infinity in words", nil, "-INF", "reject over range"},
		{"text", nil, "hello", "reject not this format"},
		{"an empty value", Options{"fields": "size,depth"}, "22.2275,", "reject no number"},
		{"exponent missing", nil, "1.27E", "reject not this format"},
		{"something behind", nil, "1.27E1 MM", "reject not this format"},
		{"two values", Options{"fields": "size,depth", "unit": "mm"}, "22.2275, 2.54E1", "size: 22.2275 mm, depth: 25.4 mm"},
		{"one left out", Options{"fields": "size,-"}, "22.2275,nonsense", "size: 22.2275"},
		{"a value short", Options{"fields": "size,depth"}, "22.2275", "reject too short"},
		{"a value more", nil, "22.2275,1", "reject too long"},
		{"metres", Options{"unit": "m"}, "2.22275E-02", "22.2275 mm"},
		{"metres, whole", Options{"unit": "m"}, "1", "1000 mm"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := converse(decoder(t, "scpi", tc.options), ">", ">", "<"+tc.reply+"\n")
			if want := "> | >MEAS? | " + tc.want; got != want {
				t.Errorf("%q gave %q, want %q", tc.reply, got, want)
			}
		})
	}
}

func TestSCPI_Errors(t *testing.T) {
	for _, tc := range []struct {
		name    string
		options Options
		script  []string
		want    string
	}{
		{"no answer", nil, []string{">", ">", ">", ">", "<-113,\"Undefined header\"\n", ">", "<0,\"No error\"\n", ">"},
			"> | >MEAS? | > | >SYST:ERR? | reject gauge error | >SYST:ERR? | >MEAS?"},
		{"nonsense", nil, []string{">", ">", "<\x80\n", ">", ">", "<+0,\"No error\"\r\n", ">"},
			"> | >MEAS? | reject not this format | > | >SYST:ERR? | >MEAS?"},
		{"readable nonsense", nil, []string{">", ">", "<UNKNOWN COMMAND\n", ">", ">", "<-113,\"Undefined header\"\n", ">", "<0,\"No error\"\n", ">"},
			"> | >MEAS? | reject not this format | > | >SYST:ERR? | reject gauge error | >SYST:ERR? | >MEAS?"},
		{"a word for a fault", nil, []string{">", ">", "<ERR 5\n", ">", "<-240,\"Hardware error\"\n", ">", "<0,\"No error\"\n", ">"},
			"> | >MEAS? | reject gauge error | >SYST:ERR? | reject gauge error | >SYST:ERR? | >MEAS?"},
		{"no value is no trouble", nil, []string{">", ">", "<9.91E37\n", ">", "<NAN\n", ">"}, "> | >MEAS? | reject no number | >MEAS? | reject no number | >MEAS?"},
		{"errors are not answered", nil, []string{">", ">", ">", ">", ">", ">", ">", ">"},
			"> | >MEAS? | > | >SYST:ERR? | > | >MEAS? | > | >SYST:ERR?"},
		{"a value comes late, where errors were asked", nil, []string{">", ">", ">", ">", "<12.7\n", ">", ">", "<12.8\n"},
			"> | >MEAS? | > | >SYST:ERR? | reject not this format | > | >MEAS? | 12.8"},
		{"over range is no trouble", nil, []string{">", ">", "<9.9E37\n", ">"}, "> | >MEAS? | reject over range | >MEAS?"},
		{"none asked", Options{"errors": ""}, []string{">", ">", ">", ">"}, "> | >MEAS? | > | >MEAS?"},
		{"first commands", Options{"begin": "SYST:REM", "end": "crlf"}, []string{">", ">", "<1\n", ">", "x", ">", ">"},
			"> | >SYST:REM\r\nMEAS? | 1 | >MEAS? | > | >SYST:REM\r\nMEAS?"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := converse(decoder(t, "scpi", tc.options), tc.script...); got != tc.want {
				t.Errorf("got  %q\nwant %q", got, tc.want)
			}
		})
	}
}

func TestSCPI_Faults(t *testing.T) {
	d, _ := Find("scpi")
	for _, tc := range []struct {
		options Options
		want    string
	}{
		{Options{"query": " "}, "query: give a query"},
		{Options{"query": `A\nB`}, "query: one line only"},
		{Options{"unit": "mm,mm"}, "2 units for 1 fields"},
	} {
		if _, err := d.Decoder(tc.options); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%v: got %v, want %q in it", tc.options, err, tc.want)
		}
	}
}

// A number with an exponent is the same rational number before and after, as
// math/big reads both.
func TestScanNumber_Exact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[+-]?[0-9]{1,12}(\.[0-9]{0,6})?([Ee][+-]?[0-9]{1,2})?`).Draw(t, "number")
		digits, places, fault := scanNumber([]byte(text), 0)
		if fault != "" {
			return
		}
		got, _ := new(big.Rat).SetString(Sample{Digits: digits, Places: places}.Decimal())
		want, ok := new(big.Rat).SetString(text)
		if !ok || got.Cmp(want) != 0 {
			t.Fatalf("%s came as %d, %d places", text, digits, places)
		}
	})
}

func BenchmarkScanNumber(b *testing.B) {
	frame := []byte("+1.27003000E+01")
	b.ReportAllocs()
	for b.Loop() {
		if _, _, fault := scanNumber(frame, 0); fault != "" {
			b.Fatal(fault)
		}
	}
}
