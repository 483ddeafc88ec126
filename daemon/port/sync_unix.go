//go:build unix

package port

import (
	"errors"
	"os"
)

// syncDir makes the names in a folder safe against a power cut.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
