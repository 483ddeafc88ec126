package store

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// noFollow is 0: on Windows only an administrator may make a symbolic link.
const noFollow = 0

// lockFile takes the lock for this process. The operating system releases the lock when the process
// ends, however it ends. lockFile fails with ErrInUse if another process has the lock. The
// locked byte lies far beyond the text in the file, so that other processes can read the text.
func lockFile(f *os.File) error {
	at := &windows.Overlapped{OffsetHigh: 1}
	err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, at)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return ErrInUse
	}
	return err
}
