package store

import (
	"bufio"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// A dump is a file of the events that could not be recorded when the journal had to end. Its first
// line says where the events belong, each further line is an event with its hash in the chain. The
// next Open records the events, see [Journal.takeDumps].
const (
	dumped   = ".unrecorded-" // in the name of a dump, after the name of the journal
	takenIn  = ".recorded-"   // takes its place once the events are recorded
	dumpTime = "20060102T150405Z"
	dumpEnd  = ".ndjson"
)

// dumpPlace is the first line of a dump.
type dumpPlace struct {
	Journal string `json:"journal"` // id of the journal
	After   uint64 `json:"after"`   // number of the event before
	Head    string `json:"head"`    // its hash, in hexadecimal
	Events  int    `json:"events"`  // number of events in the dump
}

// dumpLine is an event of a dump.
type dumpLine struct {
	Hash  string          `json:"hash"` // as it will be in the journal, in hexadecimal
	Event json.RawMessage `json:"event"`
}

// dumpQueue writes the queued events, which can't be recorded, to a file outside the journal. It
// returns an error that says how many events there are and where they were put.
func (j *Journal) dumpQueue(why error) error {
	left := j.queue.all()
	err := fmt.Errorf("%d events are not recorded in %s: %s: %w", len(left), j.path, explain(why), why)
	var failures error
	for _, dir := range append(j.dumpDirs(), os.TempDir()) {
		if dir == j.dir() {
			j.endReserve.remove()
		}
		name, failure := j.dumpTo(dir, left)
		if failure != nil {
			failures = errors.Join(failures, failure)
			continue
		}
		j.queue.remove(len(left)) // so that Close does not dump them again
		if dir == os.TempDir() {
			return fmt.Errorf("%w; they are in %s, a folder that may be emptied at any time: copy that file beside the journal at once, and the next start records them", err, name)
		}
		return fmt.Errorf("%w; they are in %s, and the next start records them: keep that file", err, name)
	}
	return fmt.Errorf("%w; and they could not be put elsewhere: %w", err, failures)
}

// dumpDirs returns the folders where a dump stays, the best one first.
func (j *Journal) dumpDirs() []string {
	if j.cfg.DumpDir == "" {
		return []string{j.dir()}
	}
	return []string{j.cfg.DumpDir, j.dir()}
}

// dumpTo writes a dump to a folder. The file has its name only once it is whole and on disk.
func (j *Journal) dumpTo(dir string, left []*entry) (name string, err error) {
	name = unused(filepath.Join(dir, filepath.Base(j.path)+dumped+j.cfg.Now().UTC().Format(dumpTime)+dumpEnd))
	part := name + ".part"
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return "", err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, remove(part))
		}
	}()
	w := bufio.NewWriter(f)
	head := j.writer.head
	place, err := json.Marshal(dumpPlace{j.id, j.Last(), hex.EncodeToString(head[:]), len(left)})
	w.Write(append(place, '\n')) // Flush returns the error if this fails
	for i, e := range left {
		head = link(head, j.Last()+uint64(i)+1, e.body)
		fmt.Fprintf(w, `{"hash":"%x","event":%s}`+"\n", head, e.body)
	}
	if err = errors.Join(err, w.Flush(), f.Sync(), f.Close()); err != nil {
		return "", err
	}
	if err := os.Rename(part, name); err != nil {
		return "", err
	}
	return name, syncDir(dir)
}
