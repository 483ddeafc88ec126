package store

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// spill writes what is queued and can't be recorded to a file elsewhere, one
// event in JSON a line, and returns the error that says so.
func (j *Journal) spill(why error) error {
	j.mu.Lock()
	left := j.queue
	j.mu.Unlock()
	err := fmt.Errorf("%d events are not recorded in %s: %s: %w", len(left), j.path, explain(why), why)
	var failures error
	for _, dir := range j.spillDirs() {
		name, failure := spillTo(dir, j.id, left)
		if failure == nil {
			j.mu.Lock()
			j.queue = nil // Close must not spill them again
			j.mu.Unlock()
			return fmt.Errorf("%w; they are in %s, keep that file", err, name)
		}
		failures = errors.Join(failures, failure)
	}
	return fmt.Errorf("%w; and they could not be put elsewhere: %w", err, failures)
}

func (j *Journal) spillDirs() []string {
	if j.cfg.Spill != "" {
		return []string{j.cfg.Spill, j.dir, os.TempDir()}
	}
	return []string{j.dir, os.TempDir()}
}

func spillTo(dir, id string, left []*entry) (name string, err error) {
	f, err := os.CreateTemp(dir, "fairbore-unrecorded-"+id+"-*.ndjson")
	if err != nil {
		return "", err
	}
	defer func() {
		if err = errors.Join(err, f.Close()); err != nil {
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	w := bufio.NewWriter(f)
	for i := range left {
		w.Write(left[i].body) // Flush tells of a failure
		w.WriteByte('\n')
	}
	if err := errors.Join(w.Flush(), f.Sync()); err != nil {
		return "", err
	}
	return f.Name(), syncDir(filepath.Dir(f.Name()))
}
