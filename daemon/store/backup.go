package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// Backup writes a copy of the journal, as it is at this moment, to a file. It replaces an older
// file of that name only when the copy is complete and synced. The journal goes on recording
// meanwhile, but its write-ahead log can't be copied into the database until the backup is done.
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
	// The pragma query_only would forbid VACUUM INTO. The option mode=ro protects the journal as
	// well as query_only does.
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
