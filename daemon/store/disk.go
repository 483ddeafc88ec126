package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// fileSystem is the kind of file system a journal is to lie on.
type fileSystem int

const (
	local   fileSystem = iota
	network            // its locks and its syncs can't be relied on
	memory             // its files are lost when the power is
	unknown            // it may be local or on a network
)

// checkFileSystem refuses a folder on a network file system. It returns a warning for a folder in
// memory and for one on an unknown kind of file system.
func checkFileSystem(dir string) (warning string, err error) {
	fs, name, err := fileSystemOf(dir)
	if err != nil {
		return "", fmt.Errorf("look at the file system of %s: %w", dir, err)
	}
	return judgeFileSystem(dir, fs, name)
}

func judgeFileSystem(dir string, fs fileSystem, name string) (warning string, err error) {
	switch fs {
	case network:
		return "", fmt.Errorf("%s lies on a network file system (%s), where a journal is not safe; put it on a disk of this machine", dir, name)
	case memory:
		return fmt.Sprintf("%s lies in memory (%s): the journal is gone when the power is; put it on a disk", dir, name), nil
	case unknown:
		return fmt.Sprintf("%s lies on a file system of which nobody can tell where its disk is (%s); put the journal on a disk of this machine", dir, name), nil
	}
	return "", nil
}

// makeFolders makes a folder and those above it that are missing. It syncs all folders above, since a
// new folder is lost with the power until the folder that it is in is synced. An earlier start may
// have made one of them and been killed before it synced, so the others are synced too, as far as
// this user may.
func makeFolders(dir string, sync func(dir string) error) error {
	missing := 0
	for d := dir; ; d = filepath.Dir(d) {
		if _, err := os.Lstat(d); !errors.Is(err, fs.ErrNotExist) {
			break
		}
		missing++
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	for above := filepath.Dir(dir); ; above = filepath.Dir(above) {
		if err := sync(above); err != nil && missing > 0 {
			return err
		}
		if missing--; above == filepath.Dir(above) {
			return nil
		}
	}
}

// syncFile makes a finished file and its name durable. What is read of the file afterwards comes from
// the disk, as far as the operating system can be told to forget it. syncFile must not be used on the
// journal's own files, since closing one of them drops SQLite's locks.
func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		f.Close()
		return fmt.Errorf("sync %s: %w", path, err)
	}
	forget(f)
	if err := f.Close(); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}
