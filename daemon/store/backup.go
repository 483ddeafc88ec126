package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// Backup writes a copy of the journal as it is at this moment to a file, and
// replaces that file only when the copy is whole and synced. The journal goes
// on meanwhile; its log can't be written back until the copy is done.
func (j *Journal) Backup(ctx context.Context, to string) (err error) {
	part := to + ".part"
	if err := remove(part); err != nil {
		return fmt.Errorf("back up the journal: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("back up the journal to %s: %w", to, err), remove(part))
		}
	}()
	// query_only would forbid it; mode=ro keeps the journal as safe.
	db, err := openPool(j.path, "mode=ro", map[string]string{"busy_timeout": "5000"}, 1)
	if err != nil {
		return err
	}
	defer db.Close()
	if _, err := db.ExecContext(ctx, "vacuum into ?", part); err != nil {
		return err
	}
	if err := syncFile(part); err != nil {
		return err
	}
	if err := os.Rename(part, to); err != nil {
		return err
	}
	return syncDir(filepath.Dir(to))
}
