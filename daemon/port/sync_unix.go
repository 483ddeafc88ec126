//go:build unix

package port

import (
	"errors"
	"os"
)

// syncDir syncs a folder, so that a power cut does not lose the names in it.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
