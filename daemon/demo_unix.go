//go:build !windows

package daemon

import (
	"io"

	"github.com/creack/pty"
	"golang.org/x/term"
)

// demoLine opens a pseudo-terminal: the demo's gauge writes to one end, the
// daemon reads the other as it reads any serial line.
func demoLine() (io.WriteCloser, string, error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, "", err
	}
	// Raw from the start: until the daemon sets the line, an echo would come back.
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		return nil, "", err
	}
	return demoPty{master, slave}, slave.Name(), nil
}

// demoPty keeps the far end open too, so that the line lives while nobody reads it.
type demoPty struct {
	io.WriteCloser
	far io.Closer
}

func (p demoPty) Close() error {
	err := p.WriteCloser.Close()
	if e := p.far.Close(); err == nil {
		err = e
	}
	return err
}
