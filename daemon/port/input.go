package port

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"fairbore/analysis"
)

// inputLink is an input device that types, such as a scanner. Its bytes are the records of struct
// input_event as the kernel gives them (evdev).
type inputLink struct {
	file *os.File
	name string
	buf  [24 * 64]byte
}

// openInput opens an input device for this program alone, so that its input goes to no other
// program. path may also be a pipe that carries the records of an input device.
func openInput(path string, warn func(error)) (*inputLink, error) {
	f, err := openPolled(path)
	switch {
	case errors.Is(err, fs.ErrPermission):
		return nil, refuse("port.input_permission", path, err)
	case errors.Is(err, fs.ErrNotExist):
		return nil, analysis.Say("port.input_missing", path)
	case err != nil:
		return nil, err
	}
	if err := grab(f); err != nil {
		if errors.Is(err, ErrBusy) {
			return nil, errors.Join(refusal{fault{analysis.Say("port.input_grabbed", path), err}}, f.Close())
		}
		warn(err)
	}
	return &inputLink{file: f, name: path}, nil
}

func (l *inputLink) read(wait time.Duration, got func([]byte, bool)) error {
	n, err := readWithin(l.file, wait, l.buf[:], analysis.Say("port.gone", l.name))
	if n > 0 {
		got(l.buf[:n], false)
	}
	return err
}

func (l *inputLink) write([]byte) error {
	return fmt.Errorf("%s: nothing can be sent to an input device", l.name)
}

func (l *inputLink) close() error   { return l.file.Close() }
func (l *inputLink) String() string { return l.name }
