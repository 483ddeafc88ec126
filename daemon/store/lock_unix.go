//go:build unix

package store

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// noFollow keeps a file from being opened through a symbolic link.
const noFollow = unix.O_NOFOLLOW

// lockFile takes the lock for this process. The operating system releases the lock when the process
// ends, however it ends. lockFile fails with ErrInUse if another process has the lock.
func lockFile(f *os.File) error {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return ErrInUse
	}
	return err
}
