package config

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// credentials is what stands for the folder of the credentials that the service manager hands over
// (LoadCredential= of systemd.exec(5)), at the beginning of a path. The first is systemd's own form
// in a unit, the second that of the environment.
func credentials() []string { return []string{"%d/", "${CREDENTIALS_DIRECTORY}/"} }

// file fills in the folder of the credentials in a path, and checks that the file is there. If it
// has a secret, others may not read it.
func (l *loader) file(key string, path *string, secret bool) {
	if *path == "" {
		return
	}
	for _, prefix := range credentials() {
		name, ok := strings.CutPrefix(*path, prefix)
		if !ok {
			continue
		}
		dir := os.Getenv("CREDENTIALS_DIRECTORY")
		if dir == "" {
			l.fault(key, "%q: there are no credentials here: the unit of the service needs LoadCredential=%s:FILE; to check by hand, set CREDENTIALS_DIRECTORY to the folder of the files", *path, name)
			return
		}
		*path = filepath.Join(dir, name)
	}
	if _, err := os.Stat(*path); errors.Is(err, fs.ErrNotExist) {
		whole, _ := filepath.Abs(*path)
		l.fault(key, "no such file %s: put it there, or give its whole path", whole)
	} else if err != nil {
		l.fault(key, "%w", err)
	} else if err := CheckSecret(*path); secret && err != nil {
		l.fault(key, "%w", err)
	}
}

// forbidden are the rights to a file with a secret that nobody may have besides its owner: others
// none, and its group, which is that of the daemon, none but to read.
const forbidden = 0o027

// CheckSecret returns an error if a file with a password or a key may be read by others than its
// owner and group, or written by others than its owner. Windows has no such rights.
func CheckSecret(path string) error {
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return err
	case info.IsDir():
		return errors.New(path + " is a folder; give the path of a file")
	case runtime.GOOS != "windows" && info.Mode().Perm()&forbidden != 0:
		return fmt.Errorf("%s: others may read or change it (mode %04o), and it has a secret: chmod 0640 %[1]s, or 0600 where the daemon owns it", path, info.Mode().Perm())
	}
	return nil
}
