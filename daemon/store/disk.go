package store

import (
	"fmt"
	"os"
	"path/filepath"
)

// place is the kind of file system a journal is to lie on.
type place int

const (
	local   place = iota
	network       // its locks and its syncs can't be relied on
	memory        // gone with the power
	unknown       // may be either
)

// fitPlace refuses a folder on a network and warns of one in memory.
func fitPlace(dir string) (warning string, err error) {
	p, name, err := placeOf(dir)
	if err != nil {
		return "", fmt.Errorf("look at the file system of %s: %w", dir, err)
	}
	return judgePlace(dir, p, name)
}

func judgePlace(dir string, p place, name string) (warning string, err error) {
	switch p {
	case network:
		return "", fmt.Errorf("%s lies on a network file system (%s), where a journal is not safe; put it on a disk of this machine", dir, name)
	case memory:
		return fmt.Sprintf("%s lies in memory (%s): the journal is gone when the power is; put it on a disk", dir, name), nil
	case unknown:
		return fmt.Sprintf("%s lies on a file system of which nobody can tell where its disk is (%s); put the journal on a disk of this machine", dir, name), nil
	}
	return "", nil
}

// syncFile makes a finished file durable, and its name. It must not be used on
// the journal's own files.
func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		f.Close()
		return fmt.Errorf("sync %s: %w", path, err)
	}
	if err := f.Close(); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}
