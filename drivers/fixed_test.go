package drivers

import (
	"strings"
	"testing"
)

func TestFixed_Decode(t *testing.T) {
	status := Options{"layout": "sddd.dddd_uut", "status": "_=ok,O=over,E=fault"}
	codes := Options{"layout": "csdddvddddu", "units": "0=mm,1=in", "channels": "A,B"}
	for _, tc := range []struct {
		name    string
		options Options
		line    string
		want    string
	}{
		{"default layout", nil, "+012.7003 mm", "12.7003 mm"},
		{"negative", nil, "-000.0044 mm", "-0.0044 mm"},
		{"blank sign", nil, " 012.7003 mm", "12.7003 mm"},
		{"blanks before the digits", nil, "-  0.0044 mm", "-0.0044 mm"},
		{"blanks up to the point", nil, "-   .0044 mm", "-0.0044 mm"},
		{"unit blank", nil, "+012.7003   ", "12.7003"},
		{"unit not known", nil, "+012.7003 kg", "reject unit unknown"},
		{"blank within the digits", nil, "+0 2.7003 mm", "reject no number"},
		{"blank behind the point", nil, "+012.70 3 mm", "reject no number"},
		{"point in another column", nil, "+0127.003 mm", "reject no number"},
		{"comma in place of the point", nil, "+012,7003 mm", "reject no number"},
		{"no digit", nil, "+   .     mm", "reject no number"},
		{"a column short", nil, "+12.7003 mm", "reject too short"},
		{"a column more", nil, "++012.7003 mm", "reject too long"},
		{"no blank where there must be one", nil, "+012.7003_mm", "reject not this format"},
		{"over range in words", nil, "  OVER    mm", "reject over range"},
		{"dashes", nil, "----.---- mm", "reject over range"},
		{"fault in words", nil, "   Err 3  mm", "reject gauge error"},
		{"word of one's own", Options{"over": "HI"}, "   HI     mm", "reject over range"},
		{"a control character", nil, "+012.70\x003 mm", "reject not this format"},

		{"sign that floats", Options{"layout": "dddd.dddd"}, "  -0.0044", "-0.0044"},
		{"sign behind", Options{"layout": "ddd.dddds"}, "012.7003-", "-12.7003"},
		{"comma sent", Options{"layout": "sddd,dddd"}, "+012,7003", "12.7003"},
		{"comma that parts", Options{"layout": "sdddvd,*"}, "+0127,x", "12.7"},
		{"no point", Options{"layout": "sdddddd"}, "+012700", "12700"},
		{"point not sent", Options{"layout": "sdddvdddd"}, "+0127003", "12.7003"},
		{"19 digits", Options{"layout": "ddddddddddddddddddd"}, "9223372036854775807", "9223372036854775807"},
		{"beyond an int64", Options{"layout": "ddddddddddddddddddd"}, "9223372036854775808", "reject number too large"},
		{"unit given", Options{"layout": "sddd.dddd", "unit": "mm"}, "+012.7003", "12.7003 mm"},
		{"other unit", Options{"unit": "mm"}, "+000.5000 in", "reject other unit"},

		{"status ok", status, "+012.7003 mm ", "12.7003 mm"},
		{"status over", status, "+999.9999 mmO", "reject over range"},
		{"status fault", status, "+000.0000 mmE", "reject gauge error"},
		{"status not known", status, "+000.0000 mmX", "reject not this format"},
		{"codes", codes, "A+01270030", "A: 12.7003 mm"},
		{"other code", codes, "B-00044001", "B: -0.4400 [in_i]"},
		{"code not known", codes, "B-00044002", "reject unit unknown"},
		{"other channel", codes, "C-00044000", "reject other channel"},

		// +0127003 XORs to 2B ^ (1^2^7^3 = 7, and an odd count of 30) = 1C.
		{"check", Options{"layout": "sdddvddddhh", "check": "xor"}, "+01270031C", "12.7003"},
		{"check in small letters", Options{"layout": "sdddvddddhh", "check": "xor"}, "+01270031c", "12.7003"},
		{"check fails", Options{"layout": "sdddvddddhh", "check": "xor"}, "+01270021C", "reject check failed"},
		// 2B + 7×30 + 13 = 188.
		{"sum", Options{"layout": "sdddvdddd*hh", "check": "sum"}, "+0127003 A8", "12.7003"},
		{"check that leaves out the first", Options{"layout": `\#sdddvddddhh`, "check": "xor", "check-from": "1"}, "#+01270031C", "12.7003"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := play(decoder(t, "fixed", tc.options), "", tc.line+"\r\n"); got != tc.want {
				t.Errorf("%q gave %q, want %q", tc.line, got, tc.want)
			}
		})
	}
}

// Without line ends a frame begins at its control character.
func TestFixed_Split(t *testing.T) {
	o := Options{"layout": `\x02sdddvdddd\x03`, "end": "none"}
	for _, tc := range []struct {
		name   string
		pieces []string
		want   string
	}{
		{"one behind the other", []string{"\x02+0127003\x03\x02+0127004\x03"}, "12.7003 | 12.7004"},
		{"opened within", []string{"27003\x03\x02+0127004\x03"}, "reject not this format | 12.7004"},
		{"cut by the next", []string{"\x02+0127\x02+0127004\x03"}, "reject too short | 12.7004"},
		{"cut by silence", []string{"\x02+0127", "", "003\x03\x02+0127004\x03"}, "reject too short | reject not this format | 12.7004"},
		{"end missing", []string{"\x02+01270030\x02+0127004\x03"}, "reject not this format | 12.7004"},
	} {
		if got := play(decoder(t, "fixed", o), tc.pieces...); got != tc.want {
			t.Errorf("%s: got %q, want %q", tc.name, got, tc.want)
		}
	}
}

func TestFixed_Faults(t *testing.T) {
	d, _ := Find("fixed")
	for _, tc := range []struct {
		options Options
		want    string
	}{
		{Options{"layout": "s.uu"}, "layout: give 1 digit"},
		{Options{"layout": "sd.d.d"}, "more than one decimal point"},
		{Options{"layout": "sdd*dd"}, "must stand together"},
		{Options{"layout": `sdd\`}, "escapes nothing"},
		{Options{"layout": `sdd\x1`}, "two hex digits"},
		{Options{"layout": "sddt"}, "status: give a code"},
		{Options{"status": "O=over"}, "status: give a code"},
		{Options{"layout": "sddt", "status": "O=high"}, "it can be ok, over or fault"},
		{Options{"layout": "sddt", "status": "OK=ok"}, "1 columns"},
		{Options{"units": "1=in"}, "2 columns"},
		{Options{"units": "in"}, "give a code and its unit"},
		{Options{"layout": "csdd"}, "channels: give the channels"},
		{Options{"check": "xor"}, "check: give two check columns"},
		{Options{"layout": "sddhh"}, "check: give two check columns"},
		{Options{"layout": "hhsdd", "check": "sum"}, "behind all that they check"},
		{Options{"layout": "sddhh", "check": "sum", "check-from": "1"}, "behind all that they check"},
		{Options{"end": "none"}, "must begin with a control character"},
	} {
		if _, err := d.Decoder(tc.options); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%v: got %v, want %q in it", tc.options, err, tc.want)
		}
	}
}

func BenchmarkDecodeFixed(b *testing.B) { benchDecode(b, "fixed", nil, "+012.7003 mm") }

func benchDecode(b *testing.B, name string, o Options, frame string) {
	b.Helper()
	d := decoder(b, name, o)
	data := []byte(frame)
	out := make([]Sample, 0, 8)
	b.ReportAllocs()
	for b.Loop() {
		var err error
		if out, err = d.Decode(data, out[:0]); err != nil {
			b.Fatal(err)
		}
	}
}
