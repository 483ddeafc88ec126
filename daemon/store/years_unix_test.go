//go:build unix

package store

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"

	"fairbore/daemon/event"
)

// processorTime returns the time that this process has used of the processors.
func processorTime(t testing.TB) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// longJournal returns the configuration of a journal of a million readings, or as many as
// FAIRBORE_JOURNAL says. The journal has three stations, parts of 48 readings, and a mastering every
// 10 parts. It is made once, in the folder for temporary files, and kept there for the next run.
func longJournal(b *testing.B) (cfg Config, readings int) {
	b.Helper()
	readings = 1_000_000
	if text := os.Getenv("FAIRBORE_JOURNAL"); text != "" {
		var err error
		if readings, err = strconv.Atoi(text); err != nil {
			b.Fatal(err)
		}
	}
	dir := filepath.Join(os.TempDir(), fmt.Sprintf("fairbore-bench-%d-%d", schemaVersion, readings))
	cfg = Config{Path: filepath.Join(dir, "journal.db"), Reserve: -1, Queue: 4096}
	if _, err := os.Stat(filepath.Join(dir, "made")); err == nil {
		return cfg, readings
	}
	os.RemoveAll(dir)
	r := start(b, cfg, func(j *Journal) { j.OnCommit(nil) })
	stations := []string{"hone bay 1", "hone bay 2", "bench 4"}
	for p := range readings / 48 {
		s, serial := stations[p%3], fmt.Sprintf("%05d", p)
		job := fmt.Sprintf("J-%04d", p/300)
		var batch []event.Event
		if p%300 < 3 {
			batch = append(batch, jobEvent(s, job))
		}
		if p%30 < 3 {
			batch = append(batch, event.Event{Station: s, At: morning, Kind: event.Mastered, Master: &event.Master{Number: p}})
		}
		batch = append(batch, partEvent(s, serial, p+1))
		for n := range 48 {
			batch = append(batch, reading(s, job, serial, n+1))
		}
		batch = append(batch, event.Event{Station: s, At: morning, Kind: event.Judged, Verdict: &event.Verdict{Outcome: event.IsAccepted, Part: serial, Job: job, Readings: 48}})
		r.append(b, batch...)
	}
	if err := r.stop(); err != nil {
		b.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "made"), nil, 0o600); err != nil {
		b.Fatal(err)
	}
	return cfg, readings
}

// rate reports how many rows were done in a second, and what each took of the processors.
func rate(b *testing.B, rows int, before time.Duration) {
	b.Helper()
	b.ReportMetric(float64(b.N*rows)/b.Elapsed().Seconds(), "rows/s")
	b.ReportMetric(float64((processorTime(b)-before).Nanoseconds())/float64(b.N*rows), "cpu-ns/row")
}

func BenchmarkLongJournal(b *testing.B) {
	cfg, readings := longJournal(b)
	info, err := os.Stat(cfg.Path)
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("%d MB, %.0f bytes a reading", info.Size()/1e6, float64(info.Size())/float64(readings))
	b.Run("verify", func(b *testing.B) {
		before := processorTime(b)
		rows := 0
		for b.Loop() {
			rep, err := Verify(b.Context(), cfg.Path, nil)
			if err != nil || !rep.Sound() {
				b.Fatal(rep, err)
			}
			rows = int(rep.Rows)
		}
		rate(b, rows, before)
	})
	b.Run("open", func(b *testing.B) {
		for b.Loop() {
			j, err := Open(b.Context(), cfg)
			if err != nil {
				b.Fatal(err)
			}
			if err := j.Close(); err != nil {
				b.Fatal(err)
			}
		}
	})
	j, err := View(b.Context(), cfg.Path)
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	b.Run("rebuild", func(b *testing.B) {
		var n int
		for b.Loop() {
			rs, err := j.Rebuild(b.Context(), "hone bay 1")
			if err != nil {
				b.Fatal(err)
			}
			n = len(rs)
		}
		b.ReportMetric(float64(n), "events")
	})
	for _, limit := range []int{50, 200, 100_000} {
		b.Run(fmt.Sprintf("parts=%d", limit), func(b *testing.B) {
			for b.Loop() {
				if _, err := j.Parts(b.Context(), Filter{Limit: limit}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	for name, f := range map[string]Filter{
		"part":       {Station: "hone bay 2", Part: "10000"},
		"job":        {Job: "J-0030", Kinds: []event.Kind{event.Judged}},
		"masterings": {Kinds: []event.Kind{event.Mastered}},
	} {
		b.Run("query="+name, func(b *testing.B) {
			n := 0
			for b.Loop() {
				n = 0
				for _, err := range j.Query(b.Context(), f) {
					if err != nil {
						b.Fatal(err)
					}
					n++
				}
			}
			b.ReportMetric(float64(n), "events")
		})
	}
	for _, format := range []Format{NDJSON, CSV} {
		b.Run("export="+string(format), func(b *testing.B) {
			before := processorTime(b)
			for b.Loop() {
				if err := j.Export(b.Context(), io.Discard, ExportOptions{Format: format, Guard: true}); err != nil {
					b.Fatal(err)
				}
			}
			rate(b, int(j.Last()), before)
		})
	}
	b.Run("catch-up", func(b *testing.B) {
		at, n := uint64(0), 0
		for b.Loop() {
			rs, err := j.after(b.Context(), at, 1000)
			if err != nil {
				b.Fatal(err)
			}
			if n += len(rs); len(rs) < 1000 {
				at = 0
			} else {
				at += 1000
			}
		}
		b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "events/s")
	})
	b.Run("quick_check", func(b *testing.B) {
		for b.Loop() {
			if err := quickCheck(context.Background(), j.read); err != nil {
				b.Fatal(err)
			}
		}
	})
}
