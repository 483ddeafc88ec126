package drivers

import (
	"strings"
	"testing"
)

func TestPattern_Decode(t *testing.T) {
	id := Options{"expression": `ID\d+ D=(?P<value>[+-]\d+\.\d+|[A-Z]+)(?P<unit>mm|in)? OK`}
	two := Options{"expression": `d(?P<value_depth>\S+) s(?P<value_size>\S+) (?P<unit_size>\S+)`, "decimal": "comma"}
	channel := Options{"expression": `(?P<channel>\w): (?P<value>.*)`, "channels": "A,B", "unit": "mm"}
	for _, tc := range []struct {
		name    string
		options Options
		line    string
		want    string
	}{
		{"default expression", nil, " +12.7003 mm ", "12.7003 mm"},
		{"default expression, no unit", nil, "-.0044", "-0.0044"},
		{"value and unit", id, "ID07 D=+12.7003mm OK", "12.7003 mm"},
		{"no unit", id, "ID07 D=-12.7003 OK", "-12.7003"},
		{"word", id, "ID07 D=OVER OK", "reject over range"},
		{"other word", id, "ID07 D=HELLO OK", "reject no number"},
		{"only a part matches", id, "ID07 D=+12.7003mm OK!", "reject not this format"},
		{"two values", two, "d25,4 s+12,7003 mm", "depth: 25.4, size: 12.7003 mm"},
		{"second is no number", two, "d25,4 s12.7.1 mm", "reject not this format"},
		{"channel", channel, "A: 12.7003", "A: 12.7003 mm"},
		{"other channel", channel, "C: 12.7003", "reject other channel"},
		{"unit in the value", channel, "A: 12.7003 in", "reject other unit"},
		{"beyond an int64", channel, "A: 99999999999999999999", "reject number too large"},
		{"value empty", channel, "A: ", "reject no number"},
		{"a bare word", id, "OVER", "reject over range"},
		{"longer than a line", id, strings.Repeat("9", 300), "reject too long"},
	} {
		if got := play(decoder(t, "pattern", tc.options), "", tc.line+"\r\n"); got != tc.want {
			t.Errorf("%s: %q gave %q, want %q", tc.name, tc.line, got, tc.want)
		}
	}
}

func TestPattern_Faults(t *testing.T) {
	d, _ := Find("pattern")
	for expression, want := range map[string]string{
		`(?P<value>\d+`:               "missing closing )",
		`\d+`:                         "no group (?P<value>...)",
		`(?P<value>\d+)(?P<colour>.)`: "group colour",
		`(?P<channel>.)(?P<value_a>\d)(?P<value_b>\d)`:  "goes with one group value",
		strings.Repeat("a", 501):                        "longer than 500",
		`(?P<value>((((\d{1,100}){1,100}){1,100}){9}))`: "expression",
	} {
		if _, err := d.Decoder(Options{"expression": expression}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %q in it", expression, err, want)
		}
	}
}

// An expression that takes exponential time in other engines is no slower
// than the line is long: this would not end in a lifetime.
func TestPattern_LinearTime(t *testing.T) {
	d := decoder(t, "pattern", Options{"expression": `(?P<value>(a+)+)b`})
	if got, want := play(d, "", strings.Repeat("a", 255)+"\r\n"), "reject not this format"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func BenchmarkDecodePattern(b *testing.B) { benchDecode(b, "pattern", nil, "+0025.00007 mm") }
