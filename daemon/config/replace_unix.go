//go:build unix

package config

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

// own gives a file the owner and the group of another. Who may not give a file away keeps it, and
// gives it the group alone.
func own(f *os.File, like fs.FileInfo) {
	s, ok := like.Sys().(*syscall.Stat_t)
	if ok && f.Chown(int(s.Uid), int(s.Gid)) != nil {
		_ = f.Chown(-1, int(s.Gid)) // it then has the group of its folder, or ours
	}
}

// syncDir makes what was renamed in a folder last over a power cut.
func syncDir(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
