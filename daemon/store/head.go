package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
)

// Head returns the hash of a recorded row in hexadecimal. The hash depends on every row up to that
// row. A printed record that states the number and the hash of a row can therefore be checked
// against the journal later.
func (j *Journal) Head(ctx context.Context, seq uint64) (hash string, err error) {
	var h []byte
	if seq > j.Last() {
		return "", fmt.Errorf("the journal has no row %d yet", seq)
	}
	if err := j.read.QueryRowContext(ctx, "select hash from event where seq = ?", int64(seq)).Scan(&h); err != nil {
		return "", fmt.Errorf("read the hash of row %d: %w", seq, err)
	}
	return fmt.Sprintf("%x", h), nil
}

// ErrNoRow says that no row has the hash that was looked for.
var ErrNoRow = errors.New("no row has this hash: it is of another journal, or of rows that were cut off the end")

// Find returns the number of the row that has a hash. The hash is given in hexadecimal, as a
// printed record states it. Find fails with [ErrNoRow] if there is no such row.
func (j *Journal) Find(ctx context.Context, hash string) (seq uint64, err error) {
	raw, err := hex.DecodeString(strings.ToLower(strings.TrimSpace(hash)))
	if err != nil || len(raw) != sha256.Size {
		return 0, fmt.Errorf("hash %q: want the 64 hex digits that a record ends with", hash)
	}
	err = j.read.QueryRowContext(ctx, "select seq from event where hash = ?", raw).Scan(&seq)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, ErrNoRow
	}
	return seq, err
}
