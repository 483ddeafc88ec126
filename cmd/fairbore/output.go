package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"
)

// moment is a time as a person gives it: a day, a minute of it, or RFC 3339. What
// has no zone is in that of this machine.
type moment struct{ time.Time }

// UnmarshalText implements encoding.TextUnmarshaler.
func (m *moment) UnmarshalText(text []byte) error {
	for _, layout := range []string{time.RFC3339, time.DateOnly, "2006-01-02 15:04", "2006-01-02T15:04"} {
		if t, err := time.ParseInLocation(layout, string(text), time.Local); err == nil {
			m.Time = t
			return nil
		}
	}
	return fmt.Errorf("%q: want a day such as 2026-11-25, or a time such as 2026-11-25T08:00:00Z", text)
}

// write gives a command the file to write, or standard output where no path is
// given. A file is replaced whole, when all of it is there and on disk: what
// stood there before stays if anything fails. source, what is read from, is
// never written over.
func (s *streams) write(path, source string, do func(io.Writer) error) error {
	if path == "" {
		return do(s.out)
	}
	was, err := os.Stat(path)
	if err == nil {
		if src, err := os.Stat(source); err == nil && os.SameFile(was, src) {
			return fmt.Errorf("%s is what is read from; give the output another name", path)
		}
		if !was.Mode().IsRegular() { // a terminal, a pipe
			return direct(path, do)
		}
	}
	part := path + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) { // left by one that was killed
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
