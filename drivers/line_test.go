package drivers

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// decoder makes the decoder of a driver, or fails the test.
func decoder(t testing.TB, name string, o Options) Decoder {
	t.Helper()
	d, err := Find(name)
	if err != nil {
		t.Fatal(err)
	}
	dec, err := d.Decoder(o)
	if err != nil {
		t.Fatal(err)
	}
	return dec
}

// describe writes what a stream found: "12.7003 mm | reject no number".
func describe(f Found) string {
	if f.Reject != "" {
		return "reject " + string(f.Reject)
	}
	var all []string
	for _, s := range f.Samples {
		all = append(all, s.String())
	}
	return strings.Join(all, ", ")
}

// play feeds the pieces to a new stream of the decoder. An empty piece is silence.
func play(d Decoder, pieces ...string) string {
	s := Stream{Decoder: d}
	var found []string
	each := func(f Found) { found = append(found, describe(f)) }
	for _, p := range pieces {
		s.Feed([]byte(p), p == "", each)
	}
	return strings.Join(found, " | ")
}

func TestLine_Decode(t *testing.T) {
	for _, tc := range []struct {
		name    string
		options Options
		line    string
		want    string
	}{
		{"signed with unit", nil, "+12.7003 mm", "12.7003 mm"},
		{"unit adjoins", nil, "-0.0044in", "-0.0044 [in_i]"},
		{"inch mark", nil, `0.50000"`, "0.50000 [in_i]"},
		{"micrometre in UTF-8", nil, "-3.2 \u00b5m", "-3.2 um"},
		{"micrometre in one byte", nil, "-3.2 \xb5m", "-3.2 um"},
		{"micro-inch", nil, "+25 UIN", "25 u[in_i]"},
		{"no unit", nil, "12.7003", "12.7003"},
		{"places are kept", nil, "12.70030", "12.70030"},
		{"blanks around and after the sign", nil, "  +  12.7003  mm ", "12.7003 mm"},
		{"point first", nil, "-.0044", "-0.0044"},
		{"point last", nil, "12.", "12"},
		{"largest number", nil, "9223372036854775807", "9223372036854775807"},
		{"beyond an int64", nil, "9223372036854775808", "reject number too large"},
		{"too many places", nil, "0.0000000000000000001", "reject number too large"},
		{"two points", nil, "12.70.03", "reject not this format"},
		{"two numbers", nil, "12.7003 13.1", "reject not this format"},
		{"two signs", nil, "+-12.7", "reject no number"},
		{"exponent", nil, "1.27E1", "reject not this format"},
		{"comma when a point is set", nil, "12,7003", "reject not this format"},
		{"text", nil, "READY", "reject no number"},
		{"only a sign", nil, "-", "reject no number"},
		{"only blanks", nil, "   ", "reject no number"},
		{"unit of another kind", nil, "12.7003 kg", "reject unit unknown"},
		{"letters behind the unit", nil, "12.7003 mm M", "reject unit unknown"},
		{"a zero byte", nil, "\x0012.7003", "reject not this format"},
		{"parity bit left on", nil, "\xb12.7003", "reject not this format"},
		{"over range", nil, "OVER", "reject over range"},
		{"over range, signed", nil, "-Over", "reject over range"},
		{"over range with unit", nil, "---- mm", "reject over range"},
		{"dashes with a point", nil, "--.----", "reject over range"},
		{"fault", nil, "Err", "reject gauge error"},
		{"fault with a number", nil, "Err 12", "reject gauge error"},
		{"fault in short", nil, "E1", "reject gauge error"},
		{"word of one's own", Options{"over": "HIGH,LOW"}, "low", "reject over range"},
		{"fault of one's own", Options{"fault": "BATT"}, "BATT", "reject gauge error"},

		{"decimal comma", Options{"decimal": "comma"}, "+12,7003 mm", "12.7003 mm"},
		{"point when a comma is set", Options{"decimal": "comma"}, "12.7003", "reject not this format"},
		{"grouped thousands", Options{"decimal": "comma"}, "1.012,7003", "reject not this format"},

		{"unit given", Options{"unit": "mm"}, "12.7003", "12.7003 mm"},
		{"unit agrees", Options{"unit": "mm"}, "12.7003 MM", "12.7003 mm"},
		{"other unit", Options{"unit": "mm"}, "0.50001 in", "reject other unit"},
		{"sign left out", Options{"sign": "always"}, "12.7003", "reject too short"},
		{"a digit lost", Options{"places": "4"}, "12.703", "reject too short"},
		{"a digit more", Options{"places": "4"}, "12.70033", "reject too long"},
		{"length", Options{"length": "8"}, "+12.7003", "12.7003"},
		{"shorter", Options{"length": "8"}, "12.7003", "reject too short"},
		{"longer", Options{"length": "8"}, "++12.7003", "reject too long"},
		{"prefix", Options{"prefix": `\x02D=`}, "\x02D=12.7003", "12.7003"},
		{"prefix missing", Options{"prefix": `\x02D=`}, "12.7003", "reject not this format"},

		{"channel letter", Options{"channels": "A,B"}, "A+0.0123", "A: 0.0123"},
		{"channel letter and digits", Options{"channels": "A,B"}, "B0.0123", "B: 0.0123"},
		{"channel number", Options{"channels": "1,2"}, "1: 12.7003 mm", "1: 12.7003 mm"},
		{"channel number and sign", Options{"channels": "1,2"}, "2-12.7003", "2: -12.7003"},
		{"channel number runs into digits", Options{"channels": "1,2"}, "12.7003", "reject other channel"},
		{"channel unknown", Options{"channels": "A,B"}, "C+0.0123", "reject other channel"},
		{"channel without number", Options{"channels": "A,B"}, "A:", "reject no number"},
		{"channel over range", Options{"channels": "A,B"}, "A OVER", "reject over range"},
		{"two marked channels", Options{"channels": "A,B", "separator": "semicolon"}, "A+0.0123;B-0.0044", "A: 0.0123, B: -0.0044"},
		{"units by channel", Options{"channels": "A,B", "unit": "mm,um", "separator": "comma"}, "B 3, A 12.5", "B: 3 um, A: 12.5 mm"},

		{"two fields", Options{"fields": "depth,size", "separator": "comma"}, "25.4, +12.7003 mm", "depth: 25.4, size: 12.7003 mm"},
		{"decimal commas and semicolon", Options{"fields": "depth,size", "separator": "semicolon", "decimal": "comma"}, "25,4;12,7003", "depth: 25.4, size: 12.7003"},
		{"tab", Options{"fields": "depth,size", "separator": "tab"}, "25.4\t 12.7003", "depth: 25.4, size: 12.7003"},
		{"blanks and units", Options{"fields": "depth,size", "separator": "blank"}, " 25.4 mm  12.7003 mm", "depth: 25.4 mm, size: 12.7003 mm"},
		{"field left out", Options{"fields": "-,size", "separator": "comma"}, "x17,12.7003", "size: 12.7003"},
		{"units by field", Options{"fields": "angle,size", "unit": "deg,mm", "separator": "comma"}, "90,12.7003", "angle: 90 deg, size: 12.7003 mm"},
		{"a field short", Options{"fields": "depth,size", "separator": "comma"}, "25.4", "reject too short"},
		{"a field more", Options{"fields": "depth,size", "separator": "comma"}, "25.4,1,2", "reject too long"},
		{"a field empty", Options{"fields": "depth,size", "separator": "comma"}, "25.4,", "reject no number"},
		{"a field over range", Options{"fields": "depth,size", "separator": "comma"}, "25.4,OVER", "reject over range"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := play(decoder(t, "line", tc.options), "", tc.line+"\r\n"); got != tc.want {
				t.Errorf("%q gave %q, want %q", tc.line, got, tc.want)
			}
		})
	}
}

// What comes after opening is believed only if it is known to begin a line.
func TestLine_Place(t *testing.T) {
	long := strings.Repeat("7", maxLine+1)
	for _, tc := range []struct {
		name    string
		options Options
		pieces  []string
		want    string
	}{
		{"opened within a line", nil, []string{"2.7003 mm\r\n12.7004 mm\r\n"}, "reject may be cut | 12.7004 mm"},
		{"opened between CR and LF", nil, []string{"\n12.7004 mm\r\n"}, "12.7004 mm"},
		{"button of a silent gauge", nil, []string{"", "12.7003 mm\r\n"}, "12.7003 mm"},
		{"line end repeated", nil, []string{"", "12.7003\r\r\n\n\r12.7004\n\n"}, "12.7003 | 12.7004"},
		{"line end comes late", nil, []string{"", "12.7003\r", "", "\n12.7004\r", "", "\n"}, "12.7003 | 12.7004"},
		{"broken off, rest comes late", nil, []string{"", "1", "", "2.7003\r\n12.7004\r\n"}, "reject too short | reject may be cut | 12.7004"},
		{"broken off, silence, whole", nil, []string{"", "1", "", "", "2.7003\r\n"}, "reject too short | 2.7003"},
		{"line without end", nil, []string{"", long + long, long, "12.7003\r\n12.7004\r\n"}, "reject too long | 12.7004"},
		{"line without end, its end much later in one piece", nil, []string{"", long + long + long + "\r12.7003\r\n"}, "reject too long | 12.7003"},
		{"line without end, then silence", nil, []string{"", long, "", "", "12.7004\r\n"}, "reject too long | 12.7004"},
		{"cut line of known length", Options{"length": "10"}, []string{".7003 mm\r\n12.7004 mm\r\n"}, "reject too short | 12.7004 mm"},
		{"whole line of known length", Options{"length": "10"}, []string{"12.7003 mm\r\n12.7004 mm\r\n"}, "12.7003 mm | 12.7004 mm"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := play(decoder(t, "line", tc.options), tc.pieces...); got != tc.want {
				t.Errorf("got  %q\nwant %q", got, tc.want)
			}
		})
	}
	t.Run("lost and opened again", func(t *testing.T) {
		s := Stream{Decoder: decoder(t, "line", nil)}
		var found []string
		each := func(f Found) { found = append(found, describe(f)) }
		s.Feed(nil, true, each)
		s.Feed([]byte("12.7003\r\n12."), false, each)
		s.Reset(each)
		s.Feed([]byte("7004\r\n12.7005\r\n"), false, each)
		if got, want := strings.Join(found, " | "), "12.7003 | reject too short | reject may be cut | 12.7005"; got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	})
}

func TestLine_Faults(t *testing.T) {
	d, _ := Find("line")
	for _, tc := range []struct {
		options Options
		want    string
	}{
		{Options{"separator": "comma", "decimal": "comma", "fields": "a,b"}, "separator: comma parts the values and is the decimal mark too"},
		{Options{"fields": "a,b"}, "separator: none, but there are 2 fields"},
		{Options{"separator": "tab"}, "fields: name the values"},
		{Options{"fields": "a", "channels": "A"}, "not both"},
		{Options{"fields": "a,a", "separator": "tab"}, "a: named twice"},
		{Options{"fields": "-,-", "separator": "tab"}, "all are left out"},
		{Options{"channels": "A:"}, "a mark is letters and digits"},
		{Options{"unit": "furlong"}, `unit: "furlong" is not valid: give mm`},
		{Options{"unit": "mm,mm"}, "2 units for 1 fields"},
		{Options{"length": "-1"}, "length: \"-1\" is not valid: give a whole number from 0 to 256"},
		{Options{"quiet": "300"}, "quiet: \"300\" is not valid: give a time"},
		{Options{"prefix": `\q`}, `prefix: \q`},
		{Options{"decimal": "dot"}, `decimal: "dot" is not one of point, comma`},
		{Options{"colour": "red"}, "colour: driver line has no such option; it has decimal"},
	} {
		if _, err := d.Decoder(tc.options); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%v: got %v, want %q in it", tc.options, err, tc.want)
		}
	}
}

// Every number that can be kept comes back exactly as it was sent.
func TestLine_RoundTrip(t *testing.T) {
	d := decoder(t, "line", nil)
	rapid.Check(t, func(t *rapid.T) {
		want := Sample{
			Digits: rapid.Int64Range(-math.MaxInt64, math.MaxInt64).Draw(t, "digits"),
			Places: rapid.IntRange(0, maxPlaces).Draw(t, "places"),
			Unit:   rapid.SampledFrom([]Unit{NoUnit, MM, UM, Inch, MicroInch, Celsius, Degree}).Draw(t, "unit"),
		}
		if got := play(d, "", fmt.Sprintf("%s\r\n", want)); got != want.String() {
			t.Fatalf("%s came back as %s", want, got)
		}
	})
}

func BenchmarkDecodeLine(b *testing.B) {
	d := decoder(b, "line", nil)
	frame := []byte("+0025.00007 mm") // 16 bytes with its line end
	out := make([]Sample, 0, 4)
	b.ReportAllocs()
	for b.Loop() {
		var err error
		if out, err = d.Decode(frame, out[:0]); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkStreamLine(b *testing.B) {
	s := Stream{Decoder: decoder(b, "line", nil)}
	n := 0
	each := func(f Found) { n += len(f.Samples) }
	frame := []byte("+0025.00007 mm\r\n")
	s.Feed(nil, true, each)
	b.ReportAllocs()
	for b.Loop() {
		s.Feed(frame, false, each)
	}
	if n == 0 {
		b.Fatal("no samples")
	}
}
