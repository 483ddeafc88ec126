package publishtest

import (
	"context"
	"errors"
	"sync"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/event"
)

// Journal is a journal in memory.
type Journal struct {
	Mu      sync.Mutex
	Recs    []event.Record
	cursors map[string]uint64
	Broken  bool // makes RawRecords fail
}

var errBroken = errors.New("disk is on fire")

// RawRecords returns up to limit records after seq.
func (j *Journal) RawRecords(_ context.Context, seq uint64, limit int) ([]event.Record, error) {
	j.Mu.Lock()
	defer j.Mu.Unlock()
	if j.Broken {
		return nil, errBroken
	}
	rest := j.Recs[min(seq, uint64(len(j.Recs))):]
	return append([]event.Record(nil), rest[:min(limit, len(rest))]...), nil
}

// Last returns the number of the newest record.
func (j *Journal) Last() uint64 {
	j.Mu.Lock()
	defer j.Mu.Unlock()
	return uint64(len(j.Recs))
}

// Cursor returns the number that was last given to SetCursor under a name.
func (j *Journal) Cursor(name string) (uint64, error) {
	j.Mu.Lock()
	defer j.Mu.Unlock()
	return j.cursors[name], nil
}

// SetCursor keeps a number under a name.
func (j *Journal) SetCursor(name string, seq uint64) {
	j.Mu.Lock()
	defer j.Mu.Unlock()
	if j.cursors == nil {
		j.cursors = map[string]uint64{}
	}
	j.cursors[name] = seq
}

// SetBroken makes RawRecords fail, or work again.
func (j *Journal) SetBroken(b bool) {
	j.Mu.Lock()
	defer j.Mu.Unlock()
	j.Broken = b
}

// Add appends n readings of a station.
func (j *Journal) Add(station string, n int) {
	j.Mu.Lock()
	defer j.Mu.Unlock()
	for range n {
		j.Recs = append(j.Recs, Record(station, uint64(len(j.Recs)+1)))
	}
}

// Record returns a reading of a station.
func Record(station string, seq uint64) event.Record {
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
