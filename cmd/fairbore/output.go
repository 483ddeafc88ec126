package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"fairbore/daemon/archive"
	"fairbore/daemon/config"
	"fairbore/daemon/store"
)

// moment is a time as a person types it: a day, a day and a minute, or RFC 3339. A time without a
// zone is civil: it is in the time zone of the shop, which [bounds] finds in the journal.
type moment struct {
	time.Time
	civil bool
}

// UnmarshalText implements encoding.TextUnmarshaler.
func (m *moment) UnmarshalText(text []byte) error {
	for _, layout := range []string{time.RFC3339, time.DateOnly, "2006-01-02 15:04", "2006-01-02T15:04"} {
		if t, err := time.Parse(layout, string(text)); err == nil {
			m.Time, m.civil = t, layout != time.RFC3339
			return nil
		}
	}
	return fmt.Errorf("%q is not valid: give a day such as 2026-11-25, or a time such as 2026-11-25T08:00:00Z", text)
}

// address is an address to listen on.
type address string

// UnmarshalText implements encoding.TextUnmarshaler.
func (a *address) UnmarshalText(text []byte) error {
	*a = address(text)
	return config.CheckListen(string(text))
}

// brokerAddress is the address of a broker.
type brokerAddress string

// UnmarshalText implements encoding.TextUnmarshaler.
func (a *brokerAddress) UnmarshalText(text []byte) error {
	*a = brokerAddress(text)
	return config.CheckBroker(string(text))
}

// tally counts the lines that are written through it.
type tally struct {
	io.Writer
	lines int
}

func (t *tally) Write(b []byte) (int, error) {
	t.lines += bytes.Count(b, []byte{'\n'})
	return t.Writer.Write(b)
}

// span refuses an empty span of time.
func span(from, to moment) error {
	if !from.IsZero() && !to.IsZero() && !from.Before(to.Time) {
		return errors.New("--from must be before --to")
	}
	return nil
}

// bounds returns the two ends of a span. Those without a zone are in that of the shop, as the journal
// has it, so that every machine means the same by them.
func bounds(ctx context.Context, journal string, from, to moment) (time.Time, time.Time, error) {
	if !from.civil && !to.civil {
		return from.Time, to.Time, nil
	}
	zone, err := archive.Zone(ctx, journal)
	for _, m := range []*moment{&from, &to} {
		if m.civil {
			y, month, d := m.Date()
			m.Time = time.Date(y, month, d, m.Hour(), m.Minute(), 0, 0, zone)
		}
	}
	return from.Time, to.Time, err
}

// typing is input that a person or a program may still be writing. Reading it ends when ctx ends,
// even if no input has come.
type typing struct {
	ctx  context.Context
	from io.Reader
	more chan typed
}

type typed struct {
	b   []byte
	err error
}

// Read implements io.Reader. If ctx ends first, the goroutine that waits for input stays until the
// program ends.
func (t *typing) Read(b []byte) (int, error) {
	if t.more == nil {
		t.more = make(chan typed)
	}
	go func() {
		in := make([]byte, len(b))
		n, err := t.from.Read(in)
		t.more <- typed{in[:n], err}
	}()
	select {
	case in := <-t.more:
		return copy(b, in.b), in.err
	case <-t.ctx.Done():
		return 0, t.ctx.Err()
	}
}

// write calls do with the file at path, or with standard output if path is empty. It replaces a
// regular file only when the new file is complete and on disk, so the old file stays if anything
// fails. It writes directly to anything else, such as a terminal. It refuses to write over source,
// the file that the command reads, and over a file that belongs to a journal.
func (s *streams) write(path, source string, do func(io.Writer) error) error {
	if path == "" {
		return do(s.out)
	}
	part := path + ".part"
	if err := errors.Join(store.CheckOutput(path, source), store.CheckOutput(part, source)); err != nil {
		return err
	}
	was, err := os.Stat(path)
	if err == nil {
		if was.IsDir() {
			return fmt.Errorf("%s is a folder; give the name of a file in it", path)
		}
		if !was.Mode().IsRegular() { // a terminal, a pipe
			return direct(path, do)
		}
	}
	if dir := filepath.Dir(path); !folder(dir) {
		return fmt.Errorf("%s: there is no folder %s to write it in", path, dir)
	}
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) { // left by a program that was killed
		return err
	}
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return err
	}
	err = do(f)
	if err == nil && was != nil {
		err = f.Chmod(was.Mode().Perm())
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}

func direct(path string, do func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	return errors.Join(do(f), f.Close())
}
