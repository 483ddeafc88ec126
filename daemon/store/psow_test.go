package store

import (
	"bytes"
	"fmt"
	"os"
	"testing"
)

// A commit ends its sector of the log: its last page is written once more, past the end of the
// sector (sqlite.org/fileformat2.html, "WAL Frame Header": 24 bytes before each page; 32 before the
// first). So no later commit writes to a sector that holds a part of this one.
func TestCommitEndsItsSector(t *testing.T) {
	const header, frame, sector = 32, 24 + 4096, 4096
	r := start(t, config(t))
	for n := range 20 {
		r.append(t, note("a", fmt.Sprint(n)))
		r.settle(t, uint64(n+1))
		log, err := os.ReadFile(r.path + "-wal")
		if err != nil || (len(log)-header)%frame != 0 {
			t.Fatalf("log of %d bytes: %v", len(log), err)
		}
		last, before := log[len(log)-frame+24:], log[len(log)-2*frame+24:len(log)-frame]
		if ends := len(log) - frame; ends%sector != 0 && !bytes.Equal(last, before) {
			t.Fatalf("commit %d ends at byte %d of the log, within a sector", n+1, len(log))
		}
	}
}
