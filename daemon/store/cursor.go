package store

import (
	"context"
	"errors"
	"fmt"
	"maps"
)

// Cursor returns how far a reader of the journal has come, as it last said by
// [Journal.SetCursor]; 0 if it never did.
func (j *Journal) Cursor(name string) (uint64, error) {
	if name == "" {
		return 0, errors.New("cursor: give its name")
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.cursors[name], nil
}

// SetCursor keeps how far a reader has come. It is written with the next
// commit, or when the journal is idle, so it costs no sync of its own; after a
// crash a reader may find itself a little behind, never ahead. A number that
// is not recorded yet is refused. What comes up to it is no longer kept in memory.
func (j *Journal) SetCursor(name string, seq uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if name == "" || seq > j.last {
		j.cfg.Log.Error().Str("cursor", name).Uint64("seq", seq).Uint64("last", j.last).Msg("cursor not set: it points beyond what is recorded")
		return
	}
	if j.cursors[name] != seq {
		j.cursors[name], j.dirty[name] = seq, seq
		j.recent.passed(seq)
	}
}

func (j *Journal) loadCursors(ctx context.Context) error {
	rows, err := j.write.QueryContext(ctx, "select name, seq from cursor")
	if err != nil {
		return fmt.Errorf("read the cursors: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		var seq uint64
		if err := rows.Scan(&name, &seq); err != nil {
			return fmt.Errorf("read the cursors: %w", err)
		}
		if seq > j.last {
			j.warn(fmt.Sprintf("%s was passed on up to event %d and the journal ends at %d: its newest events are missing", name, seq, j.last))
			seq = j.last
		}
		j.cursors[name] = seq
	}
	return rows.Err()
}

// unsaved returns the cursors that are not on disk.
func (j *Journal) unsaved() map[string]uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	if len(j.dirty) == 0 {
		return nil
	}
	return maps.Clone(j.dirty)
}

// saved notes that the cursors are on disk as they were then.
func (j *Journal) saved(then map[string]uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for name, seq := range then {
		if j.dirty[name] == seq {
			delete(j.dirty, name)
		}
	}
}
