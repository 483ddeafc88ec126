package store

import (
	"context"
	"database/sql"
	"sync/atomic"
)

// SQLite writes the log back into the database in the commit that makes it too long,
// which then takes as long as 16 MiB take the disk: with many gauges that is what most
// readings that are told of late have waited for. So another connection writes back
// beside the writer, a little at a time, and the writer only the rest, when the log
// has become long: with that it begins anew.
const (
	backAfter = 4 << 20 // bytes put into the log, from which on they are written back
	longLog   = 10_000  // pages, 40 MiB, from which on the log is to begin anew: that costs a commit two syncs
	rowExtra  = 160     // bytes of a row beside its body, with its part of the look-ups, about
	pageExtra = 3 << 12 // bytes of a commit beside its rows: pages that are written again, about
)

// writeBack is what of the log is to be written back.
type writeBack struct {
	db   *sql.DB
	grew int64         // bytes since it was last asked for, about; only the writer uses it
	due  chan struct{} // enough has come
	most int           // pages, longLog
	long atomic.Bool   // the log is long, and next to all of it is written back
}

// grown notes a group that was committed.
func (b *writeBack) grown(group []*entry) {
	b.grew += pageExtra
	for _, e := range group {
		b.grew += int64(len(e.body)) + rowExtra
	}
	if b.grew >= backAfter {
		b.grew = 0
		signal(b.due)
	}
}

// writesBack writes the log back whenever that is due, until ctx ends. That it fails, as
// with a full disk, loses nothing: the log holds it all, and it is tried again.
func (j *Journal) writesBack(ctx context.Context) {
	for {
		select {
		case <-j.back.due:
		case <-ctx.Done():
			return
		}
		if log, done, err := checkpoint(ctx, j.back.db, "passive"); err == nil && log >= j.back.most && 2*done > log {
			j.back.long.Store(true)
		}
	}
}

// checkpoint writes the log back, in one of SQLite's ways, and returns how many pages the
// log has and how many of them are written back. The latter are fewer while somebody reads.
func checkpoint(ctx context.Context, db querier, how string) (log, done int, err error) {
	var busy int
	err = db.QueryRowContext(ctx, "pragma wal_checkpoint("+how+")").Scan(&busy, &log, &done)
	if busy != 0 {
		done = 0
	}
	return log, done, err
}
