package store

import (
	"path/filepath"

	"golang.org/x/sys/windows"
)

// fileSystemOf says what kind of drive a folder is on.
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

// freeBytes returns the room that this process may still fill.
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

// syncDir does nothing: a folder can't be synced on Windows, its names are
// kept by the file system's own log.
func syncDir(string) error { return nil }
