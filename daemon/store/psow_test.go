package store

import (
	"bytes"
	"fmt"
	"os"
	"testing"
	"time"
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

// A first power cut spoils what follows a commit in the log, the repeated page that ends its sector
// too. A second cut spoils the sector that the next commit begins in. What was told of the first
// commit is still there.
func TestTwoCutsSpoilNothingTold(t *testing.T) {
	const frame, sector = 24 + 4096, 4096
	idle := func(j *Journal) { j.tick = time.Hour } // the log is not emptied
	cut := func(r *running, spoil func(log []byte) []byte) Config {
		to := config(t)
		for _, suffix := range []string{"", "-wal"} {
			content, err := os.ReadFile(r.path + suffix)
			if err != nil {
				t.Fatal(err)
			}
			if suffix != "" {
				content = spoil(content)
			}
			if err := os.WriteFile(to.Path+suffix, content, 0o640); err != nil {
				t.Fatal(err)
			}
		}
		return to
	}
	r := start(t, config(t), idle)
	r.append(t, note("a", "told"))
	r.settle(t, 1)
	end := 0
	once := cut(r, func(log []byte) []byte {
		end = len(log) - frame
		return log[:end]
	})
	if end%sector == 0 {
		t.Fatalf("the commit ends at byte %d of the log, with its sector", end)
	}
	r = start(t, once, idle)
	r.append(t, note("a", "next"))
	r.settle(t, 1)
	twice := cut(r, func(log []byte) []byte {
		if len(log) > end {
			clear(log[end/sector*sector : min(len(log), (end/sector+1)*sector)])
		}
		return log
	})
	if r = start(t, twice, idle); r.Last() < 1 {
		t.Errorf("after two power cuts the journal has %d rows", r.Last())
	}
}
