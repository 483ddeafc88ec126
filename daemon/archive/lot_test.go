package archive

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	"fairbore/analysis"
)

// A file of sizes is refused, or each of its rows is a size, and what was read is
// written and read again as it was. A study of it ends, with figures or with a reason.
func FuzzReadings(f *testing.F) {
	f.Add([]byte("size_mm\n31.7512\n31.7514\n31.7511\n31.7515\n"))
	f.Add([]byte("\ufeffpart, appraiser,size_in\r\n1,a,1.25003\r\n\"2\",b, 1.25004\r\n"))
	f.Add([]byte("size_um\n1e3\n-4\n1 1/8\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		rows, err := readings(bytes.NewReader(text))
		if err != nil {
			return
		}
		if len(rows) == 0 || len(rows) >= len(text) {
			t.Fatalf("%d rows of %d bytes", len(rows), len(text))
		}
		var b strings.Builder
		out := csv.NewWriter(&b)
		out.Write([]string{"size_um"})
		for _, r := range rows {
			out.Write([]string{strings.TrimSuffix(r.size.Format(analysis.UM, 4), " um")})
		}
		out.Flush()
		again, err := readings(strings.NewReader(b.String()))
		if err != nil || len(again) != len(rows) {
			t.Fatalf("read again: %d rows, %v", len(again), err)
		}
		for i := range again {
			if again[i].size != rows[i].size {
				t.Fatalf("row %d: %s, want %s", i, again[i].size, rows[i].size)
			}
		}
		if len(rows) > 200 {
			return
		}
		var said strings.Builder
		lim := analysis.Limits{Low: 31_7500_0000, High: 31_7525_0000}
		for _, n := range []int{0, 2} {
			if err := StudyLot(bytes.NewReader(text), LotOptions{Limits: lim, Subgroup: n}, &said); err == nil && (strings.Contains(said.String(), "NaN") || strings.Contains(said.String(), "Inf")) {
				t.Fatalf("said\n%s", said.String())
			}
		}
	})
}
