//go:build !windows

package demo

import (
	"io"

	"github.com/creack/pty"
	"golang.org/x/term"
)

// openLine opens a pseudo-terminal. The demo's gauge writes to one end; the daemon reads the other
// as it reads any serial line.
func openLine() (io.WriteCloser, string, error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, "", err
	}
	// Raw from the start: until the daemon sets the line, an echo would come back.
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		return nil, "", err
	}
	return ptyLine{master, slave}, slave.Name(), nil
}

// ptyLine also keeps the far end open, so that the line stays up while nobody reads it.
type ptyLine struct {
	io.WriteCloser
	far io.Closer
}

func (p ptyLine) Close() error {
	err := p.WriteCloser.Close()
	if e := p.far.Close(); err == nil {
		err = e
	}
	return err
}
