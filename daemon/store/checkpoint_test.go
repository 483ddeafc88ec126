package store

import (
	"os"
	"strings"
	"testing"
	"time"

	"fairbore/daemon/event"
)

// The write-ahead log is copied into the database and started again while the writer never rests.
// This happens long before the writer would have to do it by itself. No event is missing then.
func TestLogIsWrittenBackMeanwhile(t *testing.T) {
	cfg := config(t)
	r := start(t, cfg, func(j *Journal) { j.tick, j.checkpoints.most = time.Hour, 4000 })
	const groups, notes = 64, 100 // 64 MiB in all
	text := strings.Repeat("x", 10<<10)
	var most int64
	for g := range groups {
		var group []event.Event
		for range notes {
			group = append(group, note("a", text))
		}
		r.append(t, group...)
		r.settle(t, uint64(g*notes)) // the last group is not waited for, so the writer never rests
		info, err := os.Stat(cfg.Path + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		most = max(most, info.Size())
	}
	r.settle(t, groups*notes)
	if most > 40<<20 {
		t.Errorf("the log came to %d MiB", most>>20)
	}
	mustStop(t, r)
	mustVerify(t, cfg.Path)
	if n := lookInto(t, cfg.Path, "select count(*) from event"); n != groups*notes {
		t.Errorf("%d rows", n)
	}
}
