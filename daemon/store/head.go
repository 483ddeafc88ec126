package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"fairbore/daemon/event"
)

// Head returns the head of the journal at a recorded row, not signed. A printed record that states
// it can be checked against the journal later.
func (j *Journal) Head(ctx context.Context, seq uint64) (event.Head, error) {
	var hash []byte
	var at int64
	if seq > j.Last() {
		return event.Head{}, fmt.Errorf("the journal has no row %d yet", seq)
	}
	if err := j.read.QueryRowContext(ctx, "select hash, at from event where seq = ?", int64(seq)).Scan(&hash, &at); err != nil {
		return event.Head{}, fmt.Errorf("read the hash of row %d: %w", seq, err)
	}
	return event.Head{Journal: j.id, Seq: seq, Hash: fmt.Sprintf("%x", hash), At: time.Unix(0, at).UTC()}, nil
}

// ErrNoRow says that no row has the hash that was looked for.
var ErrNoRow = errors.New("no row has this hash: it is of another journal, or of rows that were cut off the end")

// Find returns the number of the row that has a hash. The hash is given in hexadecimal, as a
// printed record states it. Find fails with [ErrNoRow] if there is no such row.
func (j *Journal) Find(ctx context.Context, hash string) (seq uint64, err error) {
	raw, err := hex.DecodeString(strings.ToLower(strings.TrimSpace(hash)))
	if err != nil || len(raw) != sha256.Size {
		return 0, fmt.Errorf("hash %q is not valid: give the 64 hex digits that a record ends with", hash)
	}
	err = j.read.QueryRowContext(ctx, "select seq from event where hash = ?", raw).Scan(&seq)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, ErrNoRow
	}
	return seq, err
}
