package store

import (
	"context"
	"database/sql"
	"sync/atomic"
	"time"
)

// A checkpoint copies the write-ahead log into the database. SQLite makes one by itself
// in the commit that makes the log too long, and that commit then takes as long as the
// disk needs for 16 MiB: with many gauges, most readings that are recorded late have
// waited for it. So a second connection makes checkpoints beside the writer, a little
// at a time. When the log has become long, the writer copies the rest, and the log
// starts again from its beginning.
const (
	checkpointAfter = 4 << 20 // bytes put into the log, after which a checkpoint is made
	longLog         = 10_000  // pages, 40 MiB, from which on the log is to start again, which costs a commit two syncs
	rowExtra        = 160     // bytes of a row beside its body, with its part of the indexes, about
	commitExtra     = 3 << 12 // bytes of a commit beside its rows: pages that are written again, about
	truncateAfter   = 5       // ticks without events, after which the log is emptied
)

// checkpointer decides when checkpoints are made.
type checkpointer struct {
	db   *sql.DB
	grew int64         // bytes put into the log since the last checkpoint was due, about; only the writer uses it
	due  chan struct{} // receives when a checkpoint is due
	most int           // pages, longLog
	long atomic.Bool   // the log is long, and nearly all of it is copied
}

// committed takes in a group that was committed.
func (c *checkpointer) committed(group []*entry) {
	c.grew += commitExtra
	for _, e := range group {
		c.grew += int64(len(e.body)) + rowExtra
	}
	if c.grew >= checkpointAfter {
		c.grew = 0
		signal(c.due)
	}
}

// run makes checkpoints whenever one is due, until ctx ends. A checkpoint that fails, as
// on a full disk, loses nothing: the log still holds everything, and the next one tries again.
func (c *checkpointer) run(ctx context.Context) {
	for {
		select {
		case <-c.due:
		case <-ctx.Done():
			return
		}
		if log, done, err := checkpoint(ctx, c.db, "passive"); err == nil && log >= c.most && 2*done > log {
			c.long.Store(true)
		}
	}
}

// checkpoint makes a checkpoint in one of SQLite's modes. It returns how many pages the
// log has and how many of them are copied: not all, while somebody reads older ones.
func checkpoint(ctx context.Context, db querier, mode string) (log, done int, err error) {
	var busy int
	err = db.QueryRowContext(ctx, "pragma wal_checkpoint("+mode+")").Scan(&busy, &log, &done)
	if busy != 0 {
		done = 0
	}
	return log, done, err
}

// truncateLog copies the rest of the log and empties it. It does not wait long for a
// reader in the way; there will be another idle moment.
func (j *Journal) truncateLog() {
	ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	if log, done, err := checkpoint(ctx, j.writer.conn, "truncate"); err == nil && done == log {
		j.writer.commits = 0
	}
}

// restartLog copies what another connection has left of a long log, so that the next
// commit starts it again from its beginning.
func (j *Journal) restartLog() {
	if j.checkpoints.long.Swap(false) {
		_, _, _ = checkpoint(context.Background(), j.writer.conn, "passive") // it is tried again if it fails
	}
}
