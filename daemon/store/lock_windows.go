package store

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// lockFile takes the lock for this process; it goes with the process, however
// that ends. It fails with ErrInUse if another has it. The byte that is locked
// lies far beyond the text in the file, so that the text can be read.
func lockFile(f *os.File) error {
	at := &windows.Overlapped{OffsetHigh: 1}
	err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, at)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return ErrInUse
	}
	return err
}
