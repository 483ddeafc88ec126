package store

import (
	"context"
	"database/sql"
	"sync/atomic"
	"time"
)

// A checkpoint copies the write-ahead log into the database. SQLite makes a checkpoint by itself
// in the commit that makes the log too long. That commit takes as long as the disk needs for
// 16 MiB: with many gauges, most readings that are recorded late have waited for such a commit. So
// a second connection makes checkpoints beside the writer, each over a small part of the log. When
// the log has become long, the writer copies the rest of it, and the next commit writes to the
// beginning of the log again.
const (
	// checkpointAfter is how many bytes the log grows by before a checkpoint is made.
	checkpointAfter = 4 << 20
	// longLog is the number of pages (40 MiB) from which on the writer is to copy the rest of the
	// log, so that the log starts again. This costs a commit two syncs.
	longLog = 10_000
	// rowExtra is about how many bytes a row takes beside its body, its index entries included.
	rowExtra = 160
	// commitExtra is about how many bytes a commit takes beside its rows, for the pages that it
	// writes again.
	commitExtra = 3 << 12
	// truncateAfter is the number of ticks without events after which the log is emptied.
	truncateAfter = 5
)

// checkpointer decides when checkpoints are made.
type checkpointer struct {
	db     *sql.DB
	failed func(error) error // gets the error of a checkpoint that failed
	grew   int64             // bytes added to the log since a checkpoint was last due, about; writer only
	due    chan struct{}     // receives a value when a checkpoint is due
	most   int               // the log is long from this number of pages on: longLog, fewer in a test
	long   atomic.Bool       // the log is long, and more than half of it is copied
}

// committed counts the bytes of a group that was committed, and signals when a checkpoint is due.
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

// run makes a checkpoint whenever one is due, until ctx ends. A checkpoint that fails, for example
// on a full disk, loses nothing: the log still holds everything, and the next checkpoint copies it.
func (c *checkpointer) run(ctx context.Context) {
	for {
		select {
		case <-c.due:
		case <-ctx.Done():
			return
		}
		log, done, err := checkpoint(ctx, c.db, "passive")
		if err != nil {
			c.failed(err)
		} else if log >= c.most && 2*done > log {
			c.long.Store(true)
		}
	}
}

// checkpoint makes a checkpoint in one of SQLite's modes. It returns how many pages the log has and
// how many of them are copied. Pages may be left while a reader still uses an older state of the
// database.
func checkpoint(ctx context.Context, db querier, mode string) (log, done int, err error) {
	var busy int
	err = db.QueryRowContext(ctx, "pragma wal_checkpoint("+mode+")").Scan(&busy, &log, &done)
	if busy != 0 {
		done = 0
	}
	return log, done, err
}

// truncateLog copies the rest of the log and empties it. It waits only 200 ms for a reader that
// keeps it from doing so, since it is called again at the next idle tick.
func (j *Journal) truncateLog() {
	ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	log, done, err := checkpoint(ctx, j.writer.conn, "truncate")
	if j.tellApart(err) == nil && done == log {
		j.writer.commits = 0
	}
}

// restartLog copies the rest of a long log, which the connection for checkpoints has left, so that
// the next commit writes to the beginning of the log again.
func (j *Journal) restartLog() {
	if j.checkpoints.long.Swap(false) {
		// If this fails, it is tried again when the log is next found to be long.
		_, _, err := checkpoint(context.Background(), j.writer.conn, "passive")
		_ = j.tellApart(err)
	}
}
