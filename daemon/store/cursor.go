package store

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"sync"
)

// cursors holds, for each reader of the journal by its name, the number of the last event that the
// reader is done with.
type cursors struct {
	mu      sync.Mutex
	set     map[string]uint64
	unsaved map[string]uint64 // the cursors whose newest value is not on disk
}

// cursor is a row of the table cursor.
type cursor struct {
	name string
	seq  uint64
}

func (c *cursor) fields() []any { return []any{&c.name, &c.seq} }

// Cursor returns the number that a reader of the journal has last set by [Journal.SetCursor], 0 if
// it never set one.
func (j *Journal) Cursor(name string) (uint64, error) {
	if name == "" {
		return 0, errors.New("cursor: give its name")
	}
	c := &j.cursors
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.set[name], nil
}

// SetCursor notes that a reader is done with the events up to a number. The cursor is written to
// disk with the next commit, or when the journal is idle, so a commit needs no further sync for it.
// After a crash the cursor may be a little behind what the reader has set, but never ahead. A
// number that is not recorded yet is refused. The events up to the number are no longer kept in
// memory.
func (j *Journal) SetCursor(name string, seq uint64) {
	if last := j.Last(); name == "" || seq > last {
		j.cfg.Log.Error().Str("cursor", name).Uint64("seq", seq).Uint64("last", last).Msg("cursor not set: it points beyond what is recorded")
		return
	}
	c := &j.cursors
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.set[name] != seq {
		c.set[name], c.unsaved[name] = seq, seq
		j.tail.release(seq)
	}
}

func (j *Journal) loadCursors(ctx context.Context) error {
	saved, err := readRows(ctx, j.write, (*cursor).fields, "select name, seq from cursor")
	if err != nil {
		return fmt.Errorf("read the cursors: %w", err)
	}
	for _, c := range saved {
		if c.seq > j.last {
			j.warn(fmt.Sprintf("%s was passed on up to event %d and the journal ends at %d: its newest events are missing", c.name, c.seq, j.last))
		}
		j.cursors.set[c.name] = min(c.seq, j.last)
	}
	return nil
}

// toSave returns the cursors that are not on disk.
func (c *cursors) toSave() map[string]uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.unsaved) == 0 {
		return nil
	}
	return maps.Clone(c.unsaved)
}

// saved notes that the values in then are on disk. A cursor that was set again meanwhile stays
// unsaved.
func (c *cursors) saved(then map[string]uint64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for name, seq := range then {
		if c.unsaved[name] == seq {
			delete(c.unsaved, name)
		}
	}
}

// everyCursor returns all cursors, and adds one of the journal itself, so that there is always a
// cursor to write.
func (j *Journal) everyCursor() map[string]uint64 {
	j.cursors.mu.Lock()
	defer j.cursors.mu.Unlock()
	all := maps.Clone(j.cursors.set)
	all["journal"] = j.Last()
	return all
}
