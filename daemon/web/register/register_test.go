package register

import (
	"strings"
	"testing"

	"fairbore/analysis/notation"
)

// A size is read as a person types it and written as the configuration has it. One that may as well
// be thousands is refused; one that nobody touched is not.
func TestSizesAreReadInTheLanguage(t *testing.T) {
	de := notation.Format{Language: notation.Spoken("de")}
	known := []Item{{ID: "R-1000", Text: map[string]string{"size": "25.400 mm"}}}
	for _, c := range []struct{ id, size, want string }{
		{"", "31,7250 mm", "31.7250 mm"}, {"", "31.7250 mm", "31.7250 mm"}, {"", "31.725 mm", ""}, {"R-1000", "25.400 mm", "25.400 mm"}, {"R-1000", "25.401 mm", ""},
	} {
		got := Read(Ring, c.id, map[string]string{"id": "R-1250", "size": c.size}, known, de)
		if fault := got.Faults["size"]; (fault == "") != (c.want != "") || fault != "" && !strings.Contains(fault, strings.Replace(strings.TrimSuffix(c.size, " mm"), ".", ",", 1)) {
			t.Errorf("%q: %q", c.size, fault)
		}
		if got.text["size"] != c.want && c.want != "" {
			t.Errorf("%q is written %q", c.size, got.text["size"])
		}
	}
}
