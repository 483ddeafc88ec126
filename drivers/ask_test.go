package drivers

import (
	"strings"
	"testing"
)

// converse plays a script to a decoder that asks. A line that begins with <
// comes from the gauge, ! is silence, > calls for a request: what was asked,
// or nothing, is put among the outcomes.
func converse(d Decoder, script ...string) string {
	s := Stream{Decoder: d}
	var found []string
	each := func(f Found) { found = append(found, describe(f)) }
	for _, line := range script {
		switch line[0] {
		case '<':
			s.Feed([]byte(line[1:]), false, each)
		case '!':
			s.Feed(nil, true, each)
		case 'x':
			s.Reset(each)
		default:
			ask := d.(Requester).Request(nil)
			found = append(found, strings.TrimSpace(">"+string(ask)))
		}
	}
	return strings.Join(found, " | ")
}

func TestAsk(t *testing.T) {
	echo := Options{"echo": "yes"}
	for _, tc := range []struct {
		name    string
		options Options
		script  []string
		want    string
	}{
		{"listens first, then asks", nil, []string{">", ">", "<12.7003 mm\r\n", ">", "<12.7004 mm\r\n"}, "> | >? | 12.7003 mm | >? | 12.7004 mm"},
		{"not answered", nil, []string{">", ">", ">", ">", "<12.7004\r\n"}, "> | >? | > | >? | 12.7004"},
		{"late answer", nil, []string{">", ">", ">", "<12.7003\r\n", ">", "<12.7004\r\n"}, "> | >? | > | reject not asked | >? | 12.7004"},
		{"late answer in two parts", nil, []string{">", ">", "<1", ">", "<2.7003\r\n", ">", "<12.7004\r\n"}, "> | >? | > | reject not asked | >? | 12.7004"},
		{"answer never finished", nil, []string{">", ">", "<1", ">", ">", "<2.7004\r\n"}, "> | >? | > | >? | reject not this format | 2.7004"},
		{"broken off, rest after the next round", nil, []string{">", ">", "<1", "!", ">", "<2.7003\r\n", ">", "<12.7004\r\n"}, "> | >? | reject too short | > | reject not asked | >? | 12.7004"},
		{"bytes that nobody asked for", nil, []string{">", ">", "<12.7003\r\n", "<12.7003\r\n", ">", "<12.7004\r\n"}, "> | >? | 12.7003 | reject not asked | >? | 12.7004"},
		{"under way when it is to ask", nil, []string{">", ">", "<12.7003\r\n", "<1", ">", "<2.7003\r\n", ">", "<12.7004\r\n"}, "> | >? | 12.7003 | > | reject not asked | >? | 12.7004"},
		{"opened within an answer", nil, []string{"<2.7003\r\n", ">", "<7003\r\n", ">", "<12.7004\r\n"}, "reject not asked | > | reject not asked | >? | 12.7004"},
		{"opened again", nil, []string{">", ">", "<12.7003\r\n", "x", ">", ">", "<12.7004\r\n"}, "> | >? | 12.7003 | > | >? | 12.7004"},
		{"over range is an answer", nil, []string{">", ">", "<OVER\r\n", ">"}, "> | >? | reject over range | >?"},
		{"nonsense is a broken answer", nil, []string{">", ">", "<\xff\r\n", ">"}, "> | >? | reject not this format | >"},
		{"prefix", Options{"prefix": "M "}, []string{">", ">", "<M 12.7003\r\n", ">", "<K 12.7003\r\n"}, "> | >? | 12.7003 | >? | reject not this format"},
		{"echo", echo, []string{">", ">", "<?\r12.7003\r\n"}, "> | >? | 12.7003"},
		{"echo in two parts", echo, []string{">", ">", "<?", "<\r12.7003\r\n"}, "> | >? | 12.7003"},
		{"other echo", echo, []string{">", ">", "<!\r12.7003\r\n", ">"}, "> | >? | reject check failed | reject not asked | >"},
		{"no echo", echo, []string{">", ">", "<12.7003\r\n", ">"}, "> | >? | reject check failed | >"},
		{"fixed", Options{"form": "fixed", "layout": `\x02sdddvdddd`, "end": "none", "request": `\x05`}, []string{">", ">", "<\x02+0127003"}, "> | >\x05 | 12.7003"},
		{"pattern", Options{"form": "pattern", "expression": `R(?P<value>\d+)`, "request": `R\n`}, []string{">", ">", "<R17\r\n"}, "> | >R | 17"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := converse(decoder(t, "ask", tc.options), tc.script...); got != tc.want {
				t.Errorf("got  %q\nwant %q", got, tc.want)
			}
		})
	}
}

func TestAsk_Faults(t *testing.T) {
	d, _ := Find("ask")
	for _, tc := range []struct {
		options Options
		want    string
	}{
		{Options{"request": ""}, "request: give what asks"},
		{Options{"timeout": "0"}, "timeout: \"0\""},
		{Options{"layout": "sdd"}, "layout: form line has no such option; it has decimal"},
		{Options{"form": "fixed", "channels": "A"}, "channels: give the channels"},
	} {
		if _, err := d.Decoder(tc.options); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%v: got %v, want %q in it", tc.options, err, tc.want)
		}
	}
}
