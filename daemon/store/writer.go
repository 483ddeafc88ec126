package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"

	"fairbore/daemon/event"
)

// A group is written by INSERT statements of manyRows rows, as long as that many are left, then by
// statements of fewRows rows. The rest is written row by row.
const (
	manyRows = 64
	fewRows  = 8
)

const rowColumns = 8

// writer holds the only connection that writes events, and its prepared statements. After Open only
// the goroutine of Run uses it.
type writer struct {
	conn                          *sql.Conn
	one, few, many, cursor        *sql.Stmt
	begin, commit, rollback, tail *sql.Stmt
	head                          hash   // hash of the last row
	args                          []any  // memory that rows uses again
	commits                       uint64 // number of commits since the log was last emptied
}

func insert(rows int) string {
	row := "(" + strings.Repeat("?,", rowColumns-1) + "?)"
	return "insert into event (" + storedColumns + ") values " + strings.Repeat(row+",", rows-1) + row
}

func (w *writer) open(ctx context.Context, db *sql.DB) (err error) {
	if w.conn, err = db.Conn(ctx); err != nil {
		return err
	}
	for _, s := range []struct {
		to   **sql.Stmt
		text string
	}{
		{&w.one, insert(1)}, {&w.few, insert(fewRows)}, {&w.many, insert(manyRows)},
		{&w.cursor, "insert into cursor (name, seq) values (?, ?) on conflict (name) do update set seq = excluded.seq"},
		{&w.begin, "begin immediate"}, {&w.commit, "commit"}, {&w.rollback, "rollback"},
		{&w.tail, "select seq, hash from event order by seq desc limit 1"},
	} {
		if *s.to, err = w.conn.PrepareContext(ctx, s.text); err != nil {
			return fmt.Errorf("prepare %q: %w", s.text[:min(len(s.text), 40)], err)
		}
	}
	return nil
}

func (w *writer) close() (err error) {
	for _, s := range []*sql.Stmt{w.one, w.few, w.many, w.cursor, w.begin, w.commit, w.rollback, w.tail} {
		if s != nil {
			err = errors.Join(err, s.Close())
		}
	}
	if w.conn != nil {
		err = errors.Join(err, w.conn.Close())
	}
	*w = writer{head: w.head}
	return err
}

// put commits a group and the cursors. The first event of the group gets the number last+1. If put
// succeeds, head is the hash of the group's last row.
//
// put takes no context, since after an interrupted commit it would not be known whether the commit
// was made. How long put takes is limited by busy_timeout and the disk.
func (w *writer) put(last uint64, group []*entry, cursors map[string]uint64) error {
	ctx := context.Background()
	rows, head := w.rows(last, group)
	from, to := indexedUpTo(last), indexedUpTo(last+uint64(len(group)))
	if len(group) == 1 && len(cursors) == 0 && from == to { // a statement alone is a transaction
		if _, err := w.one.ExecContext(ctx, rows...); err != nil {
			return err
		}
		w.head, w.commits = head, w.commits+1
		return nil
	}
	if _, err := w.begin.ExecContext(ctx); err != nil {
		return err
	}
	if err := w.fill(ctx, rows, cursors, from, to); err != nil {
		// After some errors SQLite has rolled back by itself. Then this rollback fails, since there
		// is nothing left to roll back.
		_, _ = w.rollback.ExecContext(ctx)
		return err
	}
	w.head, w.commits = head, w.commits+1
	return nil
}

// fill writes the rows and the cursors, and commits. Before the commit it adds readings to their
// index, if from is less than to: those of the rows above from, up to the row to.
func (w *writer) fill(ctx context.Context, rows []any, cursors map[string]uint64, from, to uint64) error {
	for len(rows) > 0 {
		stmt, n := w.one, 1
		switch {
		case len(rows) >= manyRows*rowColumns:
			stmt, n = w.many, manyRows
		case len(rows) >= fewRows*rowColumns:
			stmt, n = w.few, fewRows
		}
		if _, err := stmt.ExecContext(ctx, rows[:n*rowColumns]...); err != nil {
			return err
		}
		rows = rows[n*rowColumns:]
	}
	for name, seq := range cursors {
		if _, err := w.cursor.ExecContext(ctx, name, int64(seq)); err != nil {
			return err
		}
	}
	if from < to {
		if _, err := w.conn.ExecContext(ctx, indexReadings, int64(from), int64(to)); err != nil {
			return err
		}
	}
	_, err := w.commit.ExecContext(ctx)
	return err
}

// rows returns the columns of the group's rows as arguments of the INSERT statements, and the hash
// of the group's last row. The arguments are valid until the next call.
func (w *writer) rows(last uint64, group []*entry) ([]any, hash) {
	args, head := w.args[:0], w.head
	heads := make([]byte, 0, len(head)*len(group))
	for _, e := range group {
		last++
		head = link(head, last, e.body)
		heads = append(heads, head[:]...)
		c := columnsOf(e.event)
		args = append(args, int64(last), c.at, c.station, c.kind, value(c.job), value(c.part), e.packed, heads[len(heads)-len(head):])
	}
	w.args = args
	return args, head
}

func value[T any](p *T) any {
	if p == nil {
		return nil
	}
	return *p
}

// landed finds out how many events of a group are in the file although their commit reported an
// error. They are the first ones of the group: when the commit is tried again, the group may have
// more events than before. landed also returns the hash of the last row of these events. It reads
// the file, since the error of a failed sync does not tell.
func (w *writer) landed(last uint64, group []*entry) (int, hash, error) {
	var seq uint64
	var h []byte
	err := w.tail.QueryRowContext(context.Background()).Scan(&seq, &h)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		seq, h = 0, w.head[:]
	case err != nil:
		return 0, hash{}, err
	}
	if seq >= last && seq-last <= uint64(len(group)) {
		n := int(seq - last)
		if _, head := w.rows(last, group[:n]); bytes.Equal(h, head[:]) {
			return n, head, nil
		}
	}
	return 0, hash{}, fmt.Errorf("the journal ends at %d and should at %d: another program has written to it; stop that one and start again", seq, last)
}

// Run commits the queued events until ctx ends, and then those that are left. It returns nil if
// every event that Append accepted is recorded. Otherwise it returns an error that says how many
// events are not recorded and where they were put instead.
func (j *Journal) Run(ctx context.Context) error {
	_, _, closed := j.queue.status()
	j.mu.Lock()
	twice := j.running || closed
	j.running = true
	j.mu.Unlock()
	if twice {
		return errors.New("run journal: it runs already, or is closed")
	}
	stop := j.startWatch(ctx)
	j.loop(ctx)
	j.queue.close()
	err := j.finish()
	stop()
	return err
}

func (j *Journal) loop(ctx context.Context) {
	tick := time.NewTicker(j.tick)
	defer tick.Stop()
	var b batcher
	for idle := 0; ctx.Err() == nil; {
		group := j.queue.group()
		if len(group) > 0 {
			idle = 0
			if d := b.delay(len(group)); d > 0 {
				wait(ctx, d)
				group = j.queue.group()
			}
			if err := j.record(group); err != nil {
				wait(ctx, j.retry)
			}
			continue
		}
		b = 0
		select {
		case <-j.queue.added:
		case <-tick.C:
			idle++
			j.upkeep(idle)
		case <-ctx.Done():
		}
	}
}

// When many gauges send at the same time, commits of one event each would spend most of the
// processor's time on syncs. So after a few small groups without a pause between them, the writer
// waits before the next commit, and the group grows. It waits longer if the group already has
// several events. After a pause without events it does not wait, so a single gauge never has to
// wait.
const (
	smallGroup     = 64 // a group of fewer events is small
	smallGroups    = 4  // the commit after this many small groups is delayed
	longDelayFrom  = 8  // the delay is batchDelayLong for a group of at least this many events
	batchDelay     = time.Millisecond
	batchDelayLong = 3 * time.Millisecond
)

// batcher counts the small groups that came without a pause between them.
type batcher int

// delay takes the number of events in the next group, and returns how long to wait for more events.
func (b *batcher) delay(n int) time.Duration {
	if n >= smallGroup {
		*b = 0
		return 0
	}
	*b++
	switch {
	case *b <= smallGroups:
		return 0
	case n < longDelayFrom:
		return batchDelay
	}
	return batchDelayLong
}

func wait(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// record commits a group and then calls the function of OnCommit. If the commit fails, the group
// stays queued, and the status says why the commit failed.
func (j *Journal) record(group []*entry) error {
	last, cursors := j.Last(), j.cursors.toSave()
	j.working(true)
	n, err := j.commit(last, group, cursors)
	j.working(false)
	if err != nil {
		j.failed(err)
		return err
	}
	group = group[:n]
	j.cursors.saved(cursors)
	j.checkpoints.committed(group)
	told := records(j.id, last, group)
	j.tail.add(last, group)
	j.mu.Lock()
	j.last = last + uint64(len(group))
	j.mu.Unlock()
	j.queue.remove(len(group))
	j.succeeded()
	if j.onCommit != nil {
		j.onCommit(told)
	}
	j.restartLog()
	return nil
}

// commit puts a group on disk. If the disk is full, it removes the reserve file and tries
// again. It returns how many events of the group are on disk: all of them, or the first ones, if an
// earlier commit has put those there.
func (j *Journal) commit(last uint64, group []*entry, cursors map[string]uint64) (n int, err error) {
	n, err = j.commitOnce(last, group, cursors)
	if err != nil && full(err) && j.useReserve() {
		n, err = j.commitOnce(last, group, cursors)
	}
	return n, err
}

func (j *Journal) commitOnce(last uint64, group []*entry, cursors map[string]uint64) (n int, err error) {
	w := &j.writer
	err = j.tellApart(w.put(last, group, cursors))
	if err == nil {
		return len(group), nil
	}
	n, head, whyNot := w.landed(last, group)
	if n == 0 {
		return 0, errors.Join(err, whyNot)
	}
	// The rows can be read back, but it is not known whether they were synced. Before OnCommit is
	// called, a further commit of cursors makes sure of it, since that commit syncs the log.
	before := w.head
	w.head = head
	if err := j.tellApart(w.put(last+uint64(n), nil, j.everyCursor())); err != nil {
		w.head = before // the next try finds again that the rows have landed
		return 0, err
	}
	return n, nil
}

func records(id string, last uint64, group []*entry) []event.Record {
	out := make([]event.Record, len(group))
	for i, e := range group {
		out[i] = event.Record{Journal: id, Seq: last + uint64(i) + 1, Event: *e.event, Body: e.body}
	}
	return out
}

// upkeep saves cursors and empties the log. Both can wait for a moment without events.
func (j *Journal) upkeep(idle int) {
	if cursors := j.cursors.toSave(); cursors != nil {
		if err := j.tellApart(j.writer.put(j.Last(), nil, cursors)); err == nil {
			j.cursors.saved(cursors)
		} // else they are saved with the next group or by the next upkeep
	}
	if idle >= truncateAfter && j.writer.commits > 0 {
		j.truncateLog()
	}
}

// finish records the events that are left in the queue, and saves the cursors. If the events can't
// be recorded, it dumps the queue.
func (j *Journal) finish() error {
	for group := j.queue.group(); len(group) > 0; group = j.queue.group() {
		if err := j.record(group); err != nil {
			return j.dumpQueue(err)
		}
	}
	if j.writer.conn == nil {
		return nil
	}
	if cursors := j.cursors.toSave(); cursors != nil {
		if err := j.writer.put(j.Last(), nil, cursors); err != nil {
			return fmt.Errorf("save how far the journal was passed on; some events will be passed on again: %w", err)
		}
		j.cursors.saved(cursors)
	}
	return nil
}
