package port

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// eviocgrab is the ioctl that gives an input device to one program alone (linux/input.h).
const eviocgrab = 0x40044590

// openPolled opens a file whose reads can have a deadline.
func openPolled(path string) (*os.File, error) {
	return os.OpenFile(path, os.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
}

// grab takes the device for this program alone until the file is closed.
func grab(f *os.File) error {
	c, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var bad error
	err = c.Control(func(fd uintptr) { bad = unix.IoctlSetInt(int(fd), eviocgrab, 1) })
	switch {
	case err != nil:
		return err
	case errors.Is(bad, unix.EBUSY):
		return ErrBusy
	case bad != nil:
		return fmt.Errorf("what is typed may go to other programs too: %w", bad)
	}
	return nil
}
