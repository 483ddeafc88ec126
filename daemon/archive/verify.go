package archive

import (
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"

	"fairbore/analysis"
	"fairbore/daemon/sheet"
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

// workbook is the format of an export that is a workbook of the readings.
const workbook store.Format = "xlsx"

// Export writes the contents of a journal that the options select, even while a daemon writes to
// it: in a format of [store.Journal.Export], or the readings as "xlsx". A workbook without a reading
// is an error.
func Export(ctx context.Context, path string, out io.Writer, o store.ExportOptions) error {
	j, err := store.View(ctx, path)
	if err != nil {
		return err
	}
	if o.Format == workbook {
		return errors.Join(readingsBook(ctx, j, out, o), j.Close())
	}
	return errors.Join(j.Export(ctx, out, o), j.Close())
}

// readingsBook writes the readings as a workbook: what the export as CSV has, row by row.
func readingsBook(ctx context.Context, j *store.Journal, out io.Writer, o store.ExportOptions) error {
	o.Format, o.Guard = store.CSV, false // in a workbook text is text
	from, to := io.Pipe()
	ended := make(chan error, 1)
	go func() {
		err := j.Export(ctx, to, o)
		to.CloseWithError(err) // nil ends the input
		ended <- err
	}()
	err := book(from, out)
	from.CloseWithError(err) // the export stops if the workbook can't be written
	exported := <-ended
	return cmp.Or(err, exported)
}

func book(in io.Reader, out io.Writer) error {
	rows := csv.NewReader(in)
	rows.ReuseRecord = true
	head, err := rows.Read()
	if err != nil {
		return err
	}
	w, err := sheet.New(out, "readings", slices.Clone(head))
	if err != nil {
		return err
	}
	for {
		row, err := rows.Read()
		switch {
		case errors.Is(err, io.EOF) && w.Rows() == 0:
			return analysis.Say("page.order.nothing")
		case errors.Is(err, io.EOF):
			return w.Close()
		case err != nil:
			return err
		}
		if err := w.Row(row); err != nil {
			return err
		}
	}
}
