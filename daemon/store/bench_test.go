package store

import (
	"fmt"
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
			j.packing.pack(batch)
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
