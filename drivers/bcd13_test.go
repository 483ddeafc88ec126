package drivers

import (
	"encoding/hex"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// fromHex turns "0F 0F 08" into bytes.
func fromHex(t testing.TB, s string) string {
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestBCD13(t *testing.T) {
	nibbles, packed, line := Options{}, Options{"packing": "packed"}, Options{"packing": "hex"}
	for _, tc := range []struct {
		name    string
		options Options
		bytes   string // in hex
		want    string
	}{
		{"nibbles", nibbles, "0F0F0F0F 08 000000000404 04 00", "-0.0044 mm"},
		{"packed", packed, "FFFF08004044 00", "-0.0044 mm"},
		{"six digits", nibbles, "0F0F0F0F 00 010207000003 04 00", "12.7003 mm"},
		{"inch", nibbles, "0F0F0F0F 00 000500000100 05 01", "0.50010 [in_i]"},
		{"packed inch", packed, "FFFF 00 05 00 55 01", "0.50005 [in_i]"},
		{"no place", nibbles, "0F0F0F0F 00 000000010207 00 00", "127 mm"},
		{"two frames", nibbles, "0F0F0F0F 00 010207000003 04 00 0F0F0F0F 00 010207000004 04 00", "12.7003 mm | 12.7004 mm"},
		{"opened within", nibbles, "000003 04 00 0F0F0F0F 00 010207000004 04 00", "reject not this format | 12.7004 mm"},
		{"opened within the fill", nibbles, "0F0F 00 010207000003 04 00 0F0F0F0F 00 010207000004 04 00", "reject too short | 12.7004 mm"},
		{"too much fill", nibbles, "0F0F0F0F0F 00 010207000004 04 00", "reject not this format | 12.7004 mm"},
		{"cut by the next", packed, "FFFF0800 FFFF08004044 00", "reject too short | -0.0044 mm"},
		{"a break within", nibbles, "0F0F0F0F 00 0102 00 07000003 04 00 0F0F0F0F 00 010207000004 04 00", "reject too long | 12.7004 mm"},
		{"no digit", nibbles, "0F0F0F0F 00 01020A000003 04 00", "reject not this format"},
		{"sign of another code", nibbles, "0F0F0F0F 04 010207000003 04 00", "reject not this format"},
		{"place beyond the digits", nibbles, "0F0F0F0F 00 010207000003 07 00", "reject not this format"},
		{"unit of another code", nibbles, "0F0F0F0F 00 010207000003 04 02", "reject unit unknown"},
		{"high half set", nibbles, "0F0F0F0F 00 011207000003 04 00", "reject not this format"},
		{"last half set", packed, "FFFF08004044 10", "reject not this format"},
		{"other unit", Options{"unit": "mm"}, "0F0F0F0F 00 000500000100 05 01", "reject other unit"},
		{"least digit first", Options{"digits": "least"}, "0F0F0F0F 08 030000070201 04 00", "-12.7003 mm"},
		{"highest bit first", Options{"bits": "highest"}, "0F0F0F0F 01 08040E00000C 02 00", "-12.7003 mm"},
		{"other order", Options{"layout": "ffffupsdddddd"}, "0F0F0F0F 00 04 08 010207000003", "-12.7003 mm"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := play(decoder(t, "bcd13", tc.options), fromHex(t, tc.bytes), ""); got != tc.want {
				t.Errorf("got %q, want %q", got, tc.want)
			}
		})
	}
	for text, want := range map[string]string{
		"FFFF800004440": "-0.0044 mm", "ffff001270034": "reject unit unknown", "FFFF01270034": "reject too short",
		"FFFF00127003400": "reject too long", "FFFF0127003G0": "reject not this format",
		"ffff012700340": "12.7003 mm", "4440": "reject too short",
	} {
		if got := play(decoder(t, "bcd13", line), text+"\r\n"); got != want {
			t.Errorf("hex %s: got %q, want %q", text, got, want)
		}
	}
}

func TestBCD13_Faults(t *testing.T) {
	d, _ := Find("bcd13")
	for _, tc := range []struct {
		options Options
		want    string
	}{
		{Options{"layout": "ffffsddddddp"}, "give 13 of the letters"},
		{Options{"layout": "ffffsddddddpx"}, "give 13 of the letters"},
		{Options{"layout": "fffsdddddddpu"}, "give one s, six d"},
		{Options{"layout": "sddddddpuffff"}, "at the beginning"},
		{Options{"layout": "ffsddddddpuff"}, "none elsewhere"},
	} {
		if _, err := d.Decoder(tc.options); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%v: got %v, want %q in it", tc.options, err, tc.want)
		}
	}
	if _, err := d.Decoder(Options{"layout": "sddddddpuffff", "packing": "hex"}); err != nil {
		t.Errorf("hex lines need no fill at the beginning: %v", err)
	}
}

// Every number of six digits comes back from each packing as it was sent.
func TestBCD13_RoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.IntRange(0, 999999).Draw(t, "value")
		sign := rapid.SampledFrom([]byte{0, 8}).Draw(t, "sign")
		places := rapid.IntRange(0, 6).Draw(t, "places")
		text := fmt.Sprintf("FFFF%d%06d%d0", sign, value, places)
		var nibbles, packed []byte
		for i, c := range []byte(text) {
			n := hexDigit(c)
			nibbles = append(nibbles, n)
			if i%2 == 0 {
				packed = append(packed, n)
			} else {
				packed[i/2] |= n << 4
			}
		}
		want := Sample{Digits: int64(value), Places: places, Unit: MM}
		if sign == 8 {
			want.Digits = -want.Digits
		}
		for packing, sent := range map[string]string{"nibbles": string(nibbles), "packed": string(packed), "hex": text + "\r"} {
			d, _ := Find("bcd13")
			dec, err := d.Decoder(Options{"packing": packing})
			if err != nil {
				t.Fatal(err)
			}
			if got := play(dec, sent, ""); got != want.String() {
				t.Fatalf("%s of %s came as %s", packing, want, got)
			}
		}
	})
}

func BenchmarkDecodeBCD13(b *testing.B) {
	benchDecode(b, "bcd13", nil, fromHex(b, "0F0F0F0F08000000000404 0400"))
}
