package store

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// belongsTo returns the journal, or another database, that a file belongs to: the database itself,
// its log and shared memory, its lock, a reserve, a dump, the sessions of the page. It returns "" for
// any other file. The file need not exist; symbolic links are followed. It must not be called in a
// process that has the database open, since it opens it to see what it is.
func belongsTo(path string) string {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	} else if dir, err := filepath.EvalSymlinks(filepath.Dir(path)); err == nil {
		path = filepath.Join(dir, filepath.Base(path))
	}
	if database(path) {
		return path
	}
	for _, mark := range []string{"-wal", "-shm", "-journal", "-sessions", ".lock", ".reserve", ".probe", ".suspect", dumped, takenIn} {
		if i := strings.LastIndex(path, mark); i >= 0 && database(path[:i]) {
			return path[:i]
		}
	}
	return ""
}

// database reports whether a file is a database. What a new one holds may still be in its log.
func database(path string) bool {
	if info, err := os.Stat(path); err != nil || !info.Mode().IsRegular() {
		return false
	}
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	const magic = "SQLite format 3\x00" // sqlite.org/fileformat2.html
	begins := make([]byte, len(magic))
	if n, _ := f.Read(begins); n == 0 {
		_, err := os.Lstat(path + "-wal")
		return err == nil
	}
	return bytes.Equal(begins, []byte(magic))
}

// CheckOutput refuses a file that something is to be written to, if it belongs to a journal. source
// is the file that is read for it, if there is one. Another name of a file is found as well.
func CheckOutput(path, source string) error {
	if j := belongsTo(path); j != "" {
		return fmt.Errorf("%s belongs to the journal %s; give the output another name", path, j)
	}
	was, err := os.Stat(path)
	if err != nil || source == "" {
		return nil
	}
	if real, err := filepath.EvalSymlinks(source); err == nil {
		source = real
	}
	files, err := os.ReadDir(filepath.Dir(source))
	for _, f := range files {
		if is, err := f.Info(); err == nil && os.SameFile(was, is) && strings.HasPrefix(f.Name(), filepath.Base(source)) {
			return fmt.Errorf("%s is %s, which is read from or belongs to what is read from; give the output another name", path, filepath.Join(filepath.Dir(source), f.Name()))
		}
	}
	if errors.Is(err, fs.ErrNotExist) { // the source is standard input, or its opening fails next
		return nil
	}
	return err
}
