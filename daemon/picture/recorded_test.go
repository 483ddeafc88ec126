package picture_test

import (
	"testing"

	"fairbore/daemon/picture"
)

// Lengths in sentences follow the reader's unit (1 in = 25.4 mm exactly); names,
// counts and words that look like units stay.
func TestRecorded(t *testing.T) {
	inch, mm := picture.Format{Inch: true, Fine: true}, picture.Format{}
	for _, c := range []struct {
		f        picture.Format
		in, want string
	}{
		{inch, "Does it belong to 25.4 mm / 90°?", "Does it belong to 1.00 in / 90°?"},
		{inch, "15.8741 mm can't be a size here.", "0.6249|65 in can't be a size here."},
		{inch, "zero high by 0.45 µm; limit 0.25 µm", "zero high by 18 millionths; limit 10 millionths"},
		{mm, "Over by 42 millionths at 0.20 in / 0°.", "Over by 1.1 µm at 5.1 mm / 0°."},
		{mm, "room 3.4 tenths (-2.0 tenths)", "room 8.6 µm (-5.1 µm)"},
		{mm, "3 in size, on ring R-1250 in the morning", "3 in size, on ring R-1250 in the morning"},
		{mm, "Risk 0.1 %, 2 µm, 4 mm.", "Risk 0.1 %, 2 µm, 4 mm."},
		{picture.Format{Comma: true}, "Risk 0.1 %, 2.5 µm; part 0.7", "Risk 0,1 %, 2,5 µm; part 0.7"},
	} {
		if got := c.f.Recorded(c.in); got != c.want {
			t.Errorf("%q: %q, want %q", c.in, got, c.want)
		}
	}
}
