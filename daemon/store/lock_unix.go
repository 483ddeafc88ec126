//go:build unix

package store

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// lockFile takes the lock for this process; it goes with the process, however
// that ends. It fails with ErrInUse if another has it.
func lockFile(f *os.File) error {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return ErrInUse
	}
	return err
}
