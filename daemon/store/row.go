package store

import (
	"bytes"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"fairbore/daemon/event"
)

type hash = [sha256.Size]byte

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

// columns holds the values of an event's body that the table repeats for searches. A pointer is nil
// if the event does not have the value.
type columns struct {
	at      int64
	station string
	kind    string
	job     *string // the job that a station chose
	part    *string // the part that was begun
}

func columnsOf(e *event.Event) columns {
	c := columns{at: e.At.UnixNano(), station: e.Station, kind: string(e.Kind)}
	if e.Job != nil {
		c.job = &e.Job.ID
	}
	if e.Part != nil {
		c.part = &e.Part.Serial
	}
	return c
}

// differs returns the name of the first column whose value in c differs from the value in the body,
// "" if there is none.
func (c *columns) differs(body columns) string {
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
	}
	return ""
}

func same[T comparable](a, b *T) bool {
	return a == b || a != nil && b != nil && *a == *b
}

// entry is an event on its way to the disk.
type entry struct {
	event  *event.Event
	body   []byte
	packed []byte // the body as it is stored
	last   bool   // the event is the last one of its Append
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

// stored is a row as it is on disk.
type stored struct {
	seq uint64
	columns
	packed []byte
	hash   []byte
}

const storedColumns = "seq, at, station, kind, job, part, body, hash"

func (s *stored) fields() []any {
	return []any{&s.seq, &s.at, &s.station, &s.kind, &s.job, &s.part, &s.packed, &s.hash}
}

// inPlace returns the fields for a scan that leaves body and hash in the memory of the rows. They are
// valid until the next row.
func (s *stored) inPlace() []any {
	return []any{&s.seq, &s.at, &s.station, &s.kind, &s.job, &s.part, (*sql.RawBytes)(&s.packed), (*sql.RawBytes)(&s.hash)}
}

var errNoMatch = errors.New("hash does not match")

// check checks that the hash of a row follows from its body and the hash of the row before it, and
// that its columns agree with its body. It returns the event.
func (s *stored) check(before hash, u *unpacker) (event.Event, error) {
	body, err := u.unpack(s.packed)
	if err != nil {
		return event.Event{}, err
	}
	if h := link(before, s.seq, body); !bytes.Equal(h[:], s.hash) {
		return event.Event{}, errNoMatch
	}
	e, err := u.decode(body)
	if err != nil {
		return event.Event{}, err
	}
	if name := s.differs(columnsOf(&e)); name != "" {
		return e, fmt.Errorf("column %s is not what the body says", name)
	}
	return e, nil
}
