package daemon_test

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"fairbore/daemon/daemontest"
)

// BenchmarkPages measures how long each page takes to answer, up to its last byte, with a million
// readings in the journal. FAIRBORE_JOURNAL sets another number.
func BenchmarkPages(b *testing.B) {
	daemontest.Binary(b)
	r := daemontest.NewRig(b)
	r.Plug()
	journal := r.Path("journal/journal.db")
	if err := os.MkdirAll(filepath.Dir(journal), 0o750); err != nil {
		b.Fatal(err)
	}
	readings := number(b, "FAIRBORE_JOURNAL", 1_000_000)
	fill(b, journal, readings)
	last := (readings - 1) / 48
	record := func(part int) string { // by the number of the event with which fill begins the part
		return fmt.Sprintf("/part/bay2/%d", 50*part+part/10+3)
	}
	r.Start()
	for name, path := range map[string]string{
		"station": "/station/bay2", "bore": "/station/bay2/bore", "parts": "/history", "of-station": "/history?station=bay2", "lot": "/history?job=J-4112",
		"found": "/history?part=" + fmt.Sprintf("%05d", last/2), "not-found": "/history?part=no-such", "record-newest": record(last), "record": record(last / 2), "record-oldest": record(0), "wall": "/wall", "plan": "/plan?job=J-4112",
	} {
		b.Run(name, func(b *testing.B) {
			f := figures{}
			for b.Loop() {
				began := time.Now()
				resp, err := http.Get("http://" + r.Web + path)
				if err != nil {
					b.Fatal(err)
				}
				n, err := io.Copy(io.Discard, resp.Body)
				resp.Body.Close()
				if err != nil || n == 0 {
					b.Fatal(path, n, err)
				}
				if resp.StatusCode != http.StatusOK {
					b.Fatal(path, resp.Status)
				}
				f.add("ms", ms(time.Since(began)))
				f.add("KB", float64(n)/1000)
			}
			f.report(b)
			all := slices.Sorted(slices.Values(f["ms"]))
			b.ReportMetric(all[len(all)*95/100], "ms-p95")
		})
	}
}
