package store

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sort"
	"sync"
	"testing"
	"time"

	"fairbore/daemon/event"
)

// BenchmarkCommit measures only the writer. It commits one group in one transaction, synced.
func BenchmarkCommit(b *testing.B) {
	for _, rows := range []int{1, 10, 100, 512} {
		b.Run(fmt.Sprintf("rows=%d", rows), func(b *testing.B) {
			j, err := Open(b.Context(), config(b))
			if err != nil {
				b.Fatal(err)
			}
			defer j.Close()
			events := make([]event.Event, rows)
			for i := range events {
				events[i] = reading("hone bay 1", "J-4107", "0001", i+1)
			}
			batch, err := encode(events)
			if err != nil {
				b.Fatal(err)
			}
			var group []*entry
			for i := range batch {
				group = append(group, &batch[i])
			}
			b.ReportAllocs()
			last := uint64(0)
			took := make([]time.Duration, 0, 4096)
			for b.Loop() {
				began := time.Now()
				if err := j.writer.put(last, group, nil); err != nil {
					b.Fatal(err)
				}
				took = append(took, time.Since(began))
				last += uint64(rows)
			}
			percentiles(b, took)
			b.ReportMetric(float64(last)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}

func percentiles(b *testing.B, took []time.Duration) {
	sort.Slice(took, func(i, k int) bool { return took[i] < took[k] })
	b.ReportMetric(float64(took[len(took)/2].Microseconds()), "p50-µs")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "p99-µs")
}

// BenchmarkOneByOne measures the time from Append of one event to the call of OnCommit.
func BenchmarkOneByOne(b *testing.B) {
	told := make(chan struct{}, 1)
	r := start(b, config(b), func(j *Journal) { j.OnCommit(func([]event.Record) { told <- struct{}{} }) })
	e := []event.Event{reading("hone bay 1", "J-4107", "0001", 1)}
	took := make([]time.Duration, 0, 4096)
	b.ReportAllocs()
	for b.Loop() {
		began := time.Now()
		if err := r.Append(b.Context(), e); err != nil {
			b.Fatal(err)
		}
		<-told
		took = append(took, time.Since(began))
	}
	percentiles(b, took)
}

// BenchmarkFlood measures how many readings per second are recorded when as many stations as its
// name says append readings at the same time.
func BenchmarkFlood(b *testing.B) {
	for _, stations := range []int{1, 16} {
		b.Run(fmt.Sprintf("stations=%d", stations), func(b *testing.B) {
			r := start(b, config(b), func(j *Journal) { j.OnCommit(nil) })
			b.ReportAllocs()
			b.ResetTimer()
			var wg sync.WaitGroup
			for s := range stations {
				wg.Go(func() {
					e := reading(fmt.Sprintf("bay %d", s), "J-4107", "0001", 1)
					for n := s; n < b.N; n += stations {
						if err := r.Append(b.Context(), []event.Event{e}); err != nil {
							b.Error(err)
						}
					}
				})
			}
			wg.Wait()
			if err := r.stop(); err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
		})
	}
}

// million returns the configuration of a journal of 1 000 000 readings. The journal has three
// stations, parts of 48 readings, and a mastering every 10 parts. It is made once, in the folder
// for temporary files, and kept there for the next run.
func million(b *testing.B) Config {
	b.Helper()
	dir := filepath.Join(os.TempDir(), "fairbore-bench-1")
	cfg := Config{Path: filepath.Join(dir, "million.db"), Reserve: -1, Queue: 4096}
	if _, err := os.Stat(filepath.Join(dir, "made")); err == nil {
		return cfg
	}
	os.RemoveAll(dir)
	r := start(b, cfg, func(j *Journal) { j.OnCommit(nil) })
	stations := []string{"hone bay 1", "hone bay 2", "bench 4"}
	for p := range 1_000_000 / 48 {
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
		batch = append(batch, event.Event{Station: s, At: morning, Kind: event.Judged, Verdict: &event.Verdict{Accepted: true, Part: serial, Job: job, Readings: 48}})
		r.append(b, batch...)
	}
	if err := r.stop(); err != nil {
		b.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "made"), nil, 0o600); err != nil {
		b.Fatal(err)
	}
	return cfg
}

func BenchmarkMillion(b *testing.B) {
	cfg := million(b)
	info, err := os.Stat(cfg.Path)
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("%d MB, %.0f bytes a reading", info.Size()/1e6, float64(info.Size())/1e6)
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
