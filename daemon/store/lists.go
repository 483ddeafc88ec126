package store

import (
	"cmp"
	"context"
	"fmt"
	"hash/maphash"
)

// lists are what the indexes hold, or should hold by the rows: the list of readings, and the indexes
// event_station, event_kind and event_part. Two of them are compared by the number of entries and a
// sum over hashes with a random key, so that entries can be counted in any order, and nobody can
// make up others with the same sum.
type lists struct {
	seed maphash.Seed
	of   [4]tally
}

type tally struct {
	n, sum    uint64
	misplaced bool // an entry is not where a search looks for it
}

// listed is an entry of an index: its columns, and the number of its row. A column is nil if it is
// NULL.
type listed struct {
	a, b any
	seq  int64
}

func (l *lists) add(i int, e listed) {
	l.of[i].n++
	l.of[i].sum += maphash.Comparable(l.seed, e)
}

// addRow adds the entries that a row should have. reading says whether the row should be in the list
// of readings.
func (l *lists) addRow(seq uint64, c *columns, reading bool) {
	at := int64(seq)
	switch {
	case reading:
		l.add(0, listed{c.station, nil, at})
	case c.kind != "reading":
		l.add(1, listed{c.station, c.kind, at})
		l.add(2, listed{c.kind, nil, at})
		if c.kind == "part" {
			l.add(3, listed{value(c.part), c.station, at})
		}
	}
}

func (l *lists) join(m *lists) {
	for i := range l.of {
		l.of[i].n += m.of[i].n
		l.of[i].sum += m.of[i].sum
	}
}

// readLists reads what the indexes hold. Each query reads the whole of an index, entry by entry in
// the order in which they lie, and nothing of the table (TestIndexesAreReadThemselves).
func readLists(ctx context.Context, db querier, seed maphash.Seed) (lists, error) {
	l := lists{seed: seed}
	for i, query := range listQueries() {
		if err := l.read(ctx, db, i, query); err != nil {
			return l, fmt.Errorf("read the indexes: %w", err)
		}
	}
	return l, nil
}

func listQueries() [4]string {
	return [4]string{
		"select station, null, seq from reading",
		"select station, kind, seq from event indexed by event_station where kind <> 'reading'",
		"select kind, null, seq from event indexed by event_kind where kind <> 'reading'",
		"select part, station, seq from event indexed by event_part where kind = 'part'",
	}
}

func (l *lists) read(ctx context.Context, db querier, i int, query string) error {
	rows, err := db.QueryContext(ctx, query)
	if err != nil {
		return err
	}
	defer rows.Close()
	var e, before listed
	for rows.Next() {
		if err := rows.Scan(&e.a, &e.b, &e.seq); err != nil {
			return err
		}
		// A text that is stored as a blob comes as bytes. A search for the text does not find it.
		if !texts(e.a, e.b) {
			l.of[i].misplaced = true
			continue
		}
		if l.of[i].n > 0 && cmp.Or(compare(before.a, e.a), compare(before.b, e.b), cmp.Compare(before.seq, e.seq)) >= 0 {
			l.of[i].misplaced = true
		}
		l.add(i, e)
		before = e
	}
	return rows.Err()
}

func texts(columns ...any) bool {
	for _, c := range columns {
		switch c.(type) {
		case nil, string:
		default:
			return false
		}
	}
	return true
}

// compare compares two columns as SQLite does: NULL first, then texts by their bytes.
func compare(a, b any) int {
	x, isX := a.(string)
	y, isY := b.(string)
	switch {
	case isX && isY:
		return cmp.Compare(x, y)
	case isX:
		return 1
	case isY:
		return -1
	}
	return 0
}
