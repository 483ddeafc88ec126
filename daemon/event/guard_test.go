package event

import (
	"strings"
	"testing"
)

func TestGuard(t *testing.T) {
	for in, want := range map[string]string{
		"": "", "0007": "0007", "a=b": "a=b", "12-3": "12-3", "slipped, -3 um": "slipped, -3 um", "'=1": "'=1",
		"=1+1": "'=1+1", "-0042": "'-0042", "@night": "'@night", "+1": "'+1", "\t=1": "\t'=1", "\r=1": "\r'=1", " =1+1": " '=1+1",
		"＝1+1": "'＝1+1", "＋1": "'＋1", "－1": "'－1", "＠x": "'＠x",
		"a;=1+1": "a;'=1+1", "a; ＝1": "a; '＝1", ";;-2;b": ";;'-2;b", "a\n=1": "a\n'=1", "=1;=2\t@3": "'=1;'=2\t'@3",
	} {
		if got := Guard(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}

func FuzzGuard(f *testing.F) {
	f.Add("a;=1+1")
	f.Fuzz(func(t *testing.T, in string) {
		out := Guard(in)
		for _, cell := range strings.FieldsFunc(out, func(r rune) bool { return strings.ContainsRune(";\t\r\n", r) }) {
			if cell = strings.TrimLeft(cell, " "); cell != "" && strings.ContainsAny(string([]rune(cell)[:1]), "=+-@＝＋－＠") {
				t.Errorf("%q: the cell %q is a formula", in, cell)
			}
		}
		if len(out) < len(in) || Guard(out) != out {
			t.Errorf("%q: %q, and again %q", in, out, Guard(out))
		}
	})
}
