package archive

import (
	"context"
	"fmt"
	"io"
	"time"

	"fairbore/daemon/event"
	"fairbore/daemon/head"
	"fairbore/daemon/store"
)

// Holds checks that a journal still holds the row that a head of it states, with that hash and
// time, and writes what fits. what names the head in the answer: head or record. If a public key is
// given, the head must be signed by it. The error is an [ErrUnsound] if anything does not fit.
//
// The hash of a row is that of the chain, so Holds is right about the rows before it only for a
// journal that [Verify] has found sound.
func Holds(ctx context.Context, path, what string, h *event.Head, key *head.Public, out io.Writer) error {
	no := func(format string, args ...any) error {
		return fmt.Errorf("%s: %w: the %s does not fit: %w", path, ErrUnsound, what, fmt.Errorf(format, args...))
	}
	j, err := store.View(ctx, path)
	if err != nil {
		return err
	}
	defer j.Close()
	switch last := j.Last(); {
	case h.Journal != j.ID():
		return no("it is of journal %s, and this one is %s", h.Journal, j.ID())
	case h.Seq > last:
		return no("it states row %d, and the journal ends at row %d: rows were cut off the end, or this is an older copy", h.Seq, last)
	}
	now, err := j.Head(ctx, h.Seq)
	switch {
	case err != nil:
		return err
	case now.Hash != h.Hash:
		return no("row %d has another hash than it states: this row, or one before it, was changed afterwards and the chain made anew, or the %s was changed", h.Seq, what)
	case !h.At.Equal(now.At):
		return no("row %d is of %s, and it states %s", h.Seq, now.At.Format(time.RFC3339Nano), h.At.Format(time.RFC3339Nano))
	}
	signed := "not signed"
	switch {
	case key != nil:
		if err := key.Check(h); err != nil {
			return no("%w", err)
		}
		signed = "signed by the key " + h.Key
	case h.Signature != "":
		signed = "its signature is not checked; give --key"
	}
	fits := "fits"
	if what == "record" {
		fits = "states a head that fits" // an edited figure leaves the head as it was
		signed += "; its figures are not compared: print it again with report"
	}
	_, err = fmt.Fprintf(out, "%-7s %s row %d; %s\n", what, fits, h.Seq, signed)
	return err
}
