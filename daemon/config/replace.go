package config

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// ErrEdited says that somebody has changed a file since it was read.
var ErrEdited = errors.New("somebody has changed the file meanwhile")

// Before is what is added to the name of a file for the text that it had before.
const Before = ".before"

// newMode is the mode of a new file, which may have the hash of a passphrase in it.
const newMode = 0o640

// Replace puts a new text in the place of the one that a file was read with, nil for no file yet, and
// keeps that beside the file. It returns [ErrEdited] if the file has another text. When it returns, both are
// synced to the disk; whenever the power goes, the file has one text or the other, whole. Mode, group
// and, where that is allowed, owner stay.
func Replace(path string, was, now []byte) error {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	dir := filepath.Dir(path)
	if was == nil {
		if err := os.MkdirAll(dir, 0o750); err != nil {
			return err
		}
	}
	var like fs.FileInfo
	if err := same(path, was); err != nil {
		return err
	} else if was != nil {
		if like, err = os.Stat(path); err != nil {
			return err
		}
		if err := write(path+Before, was, newMode, like); err != nil {
			return err
		}
	}
	if err := same(path, was); err != nil { // it took a while to write the other
		return err
	}
	return write(path, now, newMode, like)
}

// same returns ErrEdited if a file has another text.
func same(path string, text []byte) error {
	is, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if text == nil {
			return nil
		}
		return ErrEdited
	case err != nil:
		return err
	case text == nil || !bytes.Equal(is, text):
		return ErrEdited
	}
	return nil
}

// WriteFile writes a file anew, in one step: whatever happens meanwhile, the old text or the new one is
// there whole, and on disk when it returns.
func WriteFile(path string, text []byte, mode fs.FileMode) error {
	return write(path, text, mode, nil)
}

// write is WriteFile, with mode and owner of another file unless like is nil.
func write(path string, text []byte, mode fs.FileMode, like fs.FileInfo) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_, _ = f.Close(), os.Remove(f.Name()) // what went wrong before says why
		}
	}()
	if like != nil {
		mode = like.Mode().Perm()
		own(f, like)
	}
	if err = f.Chmod(mode); err != nil {
		return err
	}
	if _, err = f.Write(text); err != nil {
		return err
	}
	if err = f.Sync(); err != nil {
		return err
	}
	if err = f.Close(); err != nil {
		return err
	}
	if err = os.Rename(f.Name(), path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}
