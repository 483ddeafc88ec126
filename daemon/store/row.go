package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"fairbore/daemon/event"
)

type hash = [sha256.Size]byte

// genesis returns the hash that takes the place of a hash before the first row. It depends on the
// journal's id, so that the rows of one journal do not fit into another.
func genesis(id string) hash { return sha256.Sum256([]byte(id)) }

// link returns the hash of a row. before is the hash of the row before it.
func link(before hash, seq uint64, body []byte) (h hash) {
	d := sha256.New()
	d.Write(before[:])
	var n [8]byte
	binary.BigEndian.PutUint64(n[:], seq)
	d.Write(n[:])
	d.Write(body)
	d.Sum(h[:0])
	return h
}

// columns holds the values of an event's body that the table repeats. A pointer is nil if the event
// does not have the value.
type columns struct {
	at           int64
	station      string
	kind         string
	job, part    *string
	depth, angle *int64
}

func columnsOf(e *event.Event) columns {
	c := columns{at: e.At.UnixNano(), station: e.Station, kind: string(e.Kind)}
	switch {
	case e.Job != nil:
		c.job = &e.Job.ID
	case e.Reading != nil:
		c.job = &e.Reading.Job
	case e.Refused != nil && e.Refused.Job != "":
		c.job = &e.Refused.Job
	case e.Verdict != nil:
		c.job = &e.Verdict.Job
	}
	switch {
	case e.Part != nil:
		c.part = &e.Part.Serial
	case e.Reading != nil:
		c.part = &e.Reading.Part
	case e.Refused != nil && e.Refused.Part != "":
		c.part = &e.Refused.Part
	case e.Verdict != nil:
		c.part = &e.Verdict.Part
	}
	if r := e.Reading; r != nil {
		depth, angle := int64(r.Depth), int64(r.Angle)
		c.depth, c.angle = &depth, &angle
	}
	return c
}

// differs returns the name of the first column whose value in c differs from the value in the body,
// "" if there is none.
func (c columns) differs(body columns) string {
	switch {
	case c.at != body.at:
		return "at"
	case c.station != body.station:
		return "station"
	case c.kind != body.kind:
		return "kind"
	case !same(c.job, body.job):
		return "job"
	case !same(c.part, body.part):
		return "part"
	case !same(c.depth, body.depth):
		return "depth"
	case !same(c.angle, body.angle):
		return "angle"
	}
	return ""
}

func same[T comparable](a, b *T) bool {
	return a == b || a != nil && b != nil && *a == *b
}

// entry is an event on its way to the disk.
type entry struct {
	event *event.Event
	body  []byte
	last  bool // the event is the last one of its Append
}

// The earliest and the latest time of an event. UnixNano can express every time between them.
var (
	earliest = time.Date(1678, 1, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2262, 1, 1, 0, 0, 0, 0, time.UTC)
)

// bodyUsual is about how many bytes the body of a reading has.
const bodyUsual = 512

func encode(events []event.Event) ([]entry, error) {
	batch := make([]entry, len(events))
	all := make([]byte, 0, bodyUsual*len(events)) // one allocation, since there may be many
	for i := range events {
		e := &events[i]
		e.At = e.At.Round(0) // the monotonic clock means nothing on disk
		switch {
		case e.Station == "":
			return nil, fmt.Errorf("event %q: say which station it belongs to", e.Kind)
		case e.Kind == "":
			return nil, fmt.Errorf("event of station %s: say of which kind it is", e.Station)
		case e.At.Before(earliest) || e.At.After(latest):
			return nil, fmt.Errorf("event %q of station %s: give it a time between the years 1678 and 2262", e.Kind, e.Station)
		}
		from := len(all)
		var err error
		if all, err = e.AppendJSON(all); err != nil {
			return nil, fmt.Errorf("event %q of station %s: %w", e.Kind, e.Station, err)
		}
		batch[i].event, batch[i].body = e, all[from:len(all):len(all)]
	}
	batch[len(batch)-1].last = true
	return batch, nil
}

func decode(body []byte) (e event.Event, err error) {
	if err = json.Unmarshal(body, &e); err != nil {
		return e, fmt.Errorf("body: %w", err)
	}
	return e, nil
}

// stored is a row as it is on disk.
type stored struct {
	seq uint64
	columns
	body []byte
	hash []byte
}

const storedColumns = "seq, at, station, kind, job, part, depth, angle, body, hash"

func (s *stored) fields() []any {
	return []any{&s.seq, &s.at, &s.station, &s.kind, &s.job, &s.part, &s.depth, &s.angle, &s.body, &s.hash}
}

var errNoMatch = errors.New("hash does not match")

// check checks that the hash of a row follows from its body and the hash of the row before it, and
// that its columns agree with its body.
func (s *stored) check(before hash) error {
	if h := link(before, s.seq, s.body); !bytes.Equal(h[:], s.hash) {
		return errNoMatch
	}
	e, err := decode(s.body)
	if err != nil {
		return err
	}
	if name := s.differs(columnsOf(&e)); name != "" {
		return fmt.Errorf("column %s is not what the body says", name)
	}
	return nil
}
