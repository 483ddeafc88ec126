//go:build unix && !linux

package store

import (
	"os"

	"golang.org/x/sys/unix"
)

// fileSystemOf returns local for every folder: the program does not know the file systems of this
// operating system.
func fileSystemOf(string) (fileSystem, string, error) { return local, "", nil }

// freeBytes returns how many bytes this process may still write to the disk of a folder.
func freeBytes(dir string) (int64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, err
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}

// forget does nothing: it is not known here how to have a file read from the disk.
func forget(*os.File) {}

// syncDir makes the names in a folder durable.
func syncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}
