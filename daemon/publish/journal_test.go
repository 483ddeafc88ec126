package publish

import (
	"context"
	"errors"
	"strconv"
	"sync"
	"testing"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// paper is a journal in memory.
type paper struct {
	mu      sync.Mutex
	recs    []event.Record
	cursors map[string]uint64
	broken  bool // After fails
}

var errBroken = errors.New("disk is on fire")

func (j *paper) RawRecords(_ context.Context, seq uint64, limit int) ([]event.Record, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.broken {
		return nil, errBroken
	}
	rest := j.recs[min(seq, uint64(len(j.recs))):]
	return append([]event.Record(nil), rest[:min(limit, len(rest))]...), nil
}

func (j *paper) Last() uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return uint64(len(j.recs))
}

func (j *paper) Cursor(name string) (uint64, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.cursors[name], nil
}

func (j *paper) SetCursor(name string, seq uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.cursors == nil {
		j.cursors = map[string]uint64{}
	}
	j.cursors[name] = seq
}

func (j *paper) setBroken(b bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.broken = b
}

// add appends n readings of a station.
func (j *paper) add(station string, n int) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for range n {
		j.recs = append(j.recs, record(station, uint64(len(j.recs)+1)))
	}
}

func record(station string, seq uint64) event.Record {
	at := time.Date(2026, 11, 25, 9, 30, 0, 0, time.UTC).Add(time.Duration(seq) * time.Second)
	return event.Record{Journal: "J1", Seq: seq, Event: event.Event{
		Station: station, At: at, Kind: event.Taken, Source: "gauge",
		Reading: &event.Reading{
			No: int(seq), Job: "J-4107", Part: "12", Gauge: "G-11", How: "settled",
			Reading: analysis.Reading{Place: analysis.Place{Depth: 13 * analysis.Millimetre, Angle: 90 * analysis.Degree}, Round: 1, Size: 222_300_000, At: at},
			Sent:    event.Sent{Digits: 222300, Places: 4, Unit: analysis.MM},
		},
	}}
}

func TestPaperIsAJournal(t *testing.T) {
	j := &paper{}
	j.add("bay", 3)
	recs, err := j.RawRecords(t.Context(), 1, 10)
	if err != nil || len(recs) != 2 || recs[0].Seq != 2 {
		t.Fatalf("after 1: %v %v", recs, err)
	}
	if s := strconv.FormatUint(j.Last(), 10); s != "3" {
		t.Fatal(s)
	}
}
