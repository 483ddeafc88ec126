package archive

import (
	"context"
	"errors"
	"fmt"
	"io"

	"fairbore/daemon/store"
)

// ErrUnsound says that a journal was changed after it was written.
var ErrUnsound = errors.New("the journal is not sound")

// Verify checks a journal's chain of hashes and writes what it found. hash may be empty; otherwise
// it is the hash that a record was printed with, which must be that of a row.
func Verify(ctx context.Context, path, hash string, out io.Writer, progress func(done, total uint64)) error {
	r, err := store.Verify(ctx, path, progress)
	if err != nil {
		return err
	}
	if err := Found(&r, out); err != nil {
		return err
	}
	fmt.Fprintf(out, "unknown %s\n", r.Unknown)
	if hash != "" {
		seq, err := find(ctx, path, hash)
		if errors.Is(err, store.ErrNoRow) {
			return fmt.Errorf("%s: %w: %w", path, ErrUnsound, err)
		}
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "hash    that of row %d\n", seq)
	}
	fmt.Fprintln(out, "sound")
	return nil
}

// Found writes what a check of a journal found. It fails with [ErrUnsound] if there is a fault.
func Found(r *store.Report, out io.Writer) error {
	fmt.Fprintf(out, "journal %s\nrows    %d sound\nhead    %s\n", r.Journal, r.Rows, r.Head)
	for _, f := range r.Faults {
		fmt.Fprintf(out, "fault   %s\n", f)
	}
	if r.Bad != nil {
		fmt.Fprintf(out, "first bad row %d: %s\n", r.Bad.Seq, r.Bad.What)
	}
	if !r.Sound() {
		return fmt.Errorf("%s: %w", r.Path, ErrUnsound)
	}
	return nil
}

func find(ctx context.Context, path, hash string) (seq uint64, err error) {
	j, err := store.View(ctx, path)
	if err != nil {
		return 0, err
	}
	seq, err = j.Find(ctx, hash)
	return seq, errors.Join(err, j.Close())
}

// Export writes the contents of a journal that the options select, even while a daemon writes to
// it.
func Export(ctx context.Context, path string, out io.Writer, o store.ExportOptions) error {
	j, err := store.View(ctx, path)
	if err != nil {
		return err
	}
	return errors.Join(j.Export(ctx, out, o), j.Close())
}
