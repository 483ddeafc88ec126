package store

import (
	"context"
	"fmt"
)

// Head returns the hash of a recorded row in hexadecimal. It depends on every row
// up to that one, so that a print which states both can be held against the
// journal later.
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
