package store

import (
	"os"
	"path/filepath"

	"golang.org/x/sys/windows"
)

// fileSystemOf returns the kind and the name of the drive that a folder is on.
func fileSystemOf(dir string) (fileSystem, string, error) {
	root, err := windows.UTF16PtrFromString(filepath.VolumeName(dir) + `\`)
	if err != nil {
		return local, "", err
	}
	switch windows.GetDriveType(root) {
	case windows.DRIVE_REMOTE:
		return network, "a network drive", nil
	case windows.DRIVE_RAMDISK:
		return memory, "a RAM disk", nil
	}
	return local, "", nil
}

// freeBytes returns how many bytes this process may still write to the disk of a folder.
func freeBytes(dir string) (int64, error) {
	p, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, err
	}
	var free uint64
	if err := windows.GetDiskFreeSpaceEx(p, &free, nil, nil); err != nil {
		return 0, err
	}
	return int64(free), nil
}

// forget does nothing: it is not known here how to have a file read from the disk.
func forget(*os.File) {}

// syncDir does nothing. A folder can't be synced on Windows. The file system's own log keeps the
// names of the files.
func syncDir(string) error { return nil }
