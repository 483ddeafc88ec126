package store

import (
	"bufio"
	"errors"
	"fmt"
	"os"
)

// dumpQueue writes the queued events, which can't be recorded, to a file outside the journal. Each
// line of the file is an event in JSON. It returns an error that says how many events there are and
// where they were put.
func (j *Journal) dumpQueue(why error) error {
	left := j.queue.all()
	err := fmt.Errorf("%d events are not recorded in %s: %s: %w", len(left), j.path, explain(why), why)
	dirs := []string{j.dir(), os.TempDir()}
	if j.cfg.DumpDir != "" {
		dirs = append([]string{j.cfg.DumpDir}, dirs...)
	}
	var failures error
	for _, dir := range dirs {
		name, failure := dumpTo(dir, j.id, left)
		if failure == nil {
			j.queue.remove(len(left)) // so that Close does not dump them again
			return fmt.Errorf("%w; they are in %s, keep that file", err, name)
		}
		failures = errors.Join(failures, failure)
	}
	return fmt.Errorf("%w; and they could not be put elsewhere: %w", err, failures)
}

func dumpTo(dir, id string, left []*entry) (name string, err error) {
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
	for _, e := range left {
		w.Write(e.body) // Flush returns the error if this fails
		w.WriteByte('\n')
	}
	if err := errors.Join(w.Flush(), f.Sync()); err != nil {
		return "", err
	}
	return f.Name(), syncDir(dir)
}
