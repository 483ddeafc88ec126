package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"hash/maphash"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"

	lib "modernc.org/sqlite/lib"

	"fairbore/daemon/event"
)

// Report says what [Verify] found.
type Report struct {
	Path    string `json:"path"`
	Journal string `json:"journal"` // the id of the journal
	Rows    uint64 `json:"rows"`    // number of rows that were checked and are sound
	Head    string `json:"head"`    // hash of the last sound row, in hexadecimal
	// Bad is the first row that is not sound. The rows after it are not checked.
	Bad *BadRow `json:"bad,omitempty"`
	// Faults are the other faults of the file.
	Faults []string `json:"faults,omitempty"`
	// Unknown says what no check of the file alone can find.
	Unknown string `json:"unknown"`
}

const notKnown = "whether rows were cut off the end, or all was written anew by somebody who can write the file: compare the head with one that was kept elsewhere"

// BadRow is a row that is not as it was written.
type BadRow struct {
	Seq  uint64 `json:"seq"`
	What string `json:"what"`
}

// Sound reports whether no fault was found.
func (r *Report) Sound() bool { return r.Bad == nil && len(r.Faults) == 0 }

// Verify checks a journal and changes nothing. A daemon may be writing to the journal. Verify
// checks that
//
//   - the file is a sound database, and its schema is the one that this program makes and no more;
//   - the rows are numbered from 1 without a gap, and the chain of hashes holds from the journal's
//     identity on;
//   - each body can be unpacked, and the columns agree with it;
//   - the indexes and the list of readings hold an entry for each row that belongs there, in order,
//     and no others.
//
// The report says what it finds. The error says what kept it from checking. What is written to the
// journal after the check began is not checked. Verify calls progress, which may be nil, now and
// then with the number of rows checked and the number of all rows.
func Verify(ctx context.Context, path string, progress func(done, total uint64)) (Report, error) {
	r := Report{Path: path, Unknown: notKnown}
	db, err := openReadOnly(ctx, path)
	if damaged(err) {
		r.Faults = []string{err.Error()}
		return r, nil
	}
	if err != nil {
		return r, fmt.Errorf("verify %s: %w", path, err)
	}
	defer db.Close()
	if progress == nil {
		progress = func(uint64, uint64) {}
	}
	v := verifier{db: db, report: &r, progress: progress}
	if err := v.run(ctx); damaged(err) {
		r.Faults = append(r.Faults, err.Error())
	} else if err != nil {
		return r, fmt.Errorf("verify %s: %w", path, err)
	}
	return r, nil
}

// openReadOnly opens a journal without the right to change it. SQLite needs a shared-memory file
// beside the journal. It can't make one if the folder can't be written to, and there is none if the
// journal is not open elsewhere. openReadOnly then reads the journal as a file that nobody changes.
func openReadOnly(ctx context.Context, path string) (*sql.DB, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	options := "mode=ro"
	for {
		db, err := openPool(path, options, readerPragmas(), readers)
		if err != nil {
			return nil, err
		}
		empty, err := checkVersion(ctx, db)
		if err == nil && !empty {
			return db, nil
		}
		db.Close()
		if err == nil || code(err) == lib.SQLITE_NOTADB { // the file is empty, or is no journal
			return nil, ErrNotJournal
		}
		_, noLog := os.Stat(path + "-wal")
		// SQLITE_READONLY is returned if this user may not write to the folder.
		noRoom := code(err) == lib.SQLITE_CANTOPEN || code(err) == lib.SQLITE_READONLY
		if !noRoom || !errors.Is(noLog, fs.ErrNotExist) || options != "mode=ro" {
			return nil, err
		}
		options = "mode=ro&immutable=1"
	}
}

// verifyStep is how many rows are checked at a time. A longer read would keep a running daemon from
// copying its write-ahead log into the database.
const verifyStep = 4096

// verifiers is how many goroutines check rows. Each uses a connection, and so does SQLite's own
// check of the file.
const verifiers = readers - 1

type verifier struct {
	db       *sql.DB
	report   *Report
	progress func(done, total uint64)
	who      identity
	total    uint64
	holds    lists // what the indexes and the list of readings hold
	should   lists // what they should hold, by the rows
}

func (v *verifier) run(ctx context.Context) error {
	usable, err := v.schema(ctx)
	if err != nil || !usable {
		return err
	}
	if err := v.start(ctx); err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	file := make(chan error, 1)
	go func() { file <- quickCheck(ctx, v.db) }()
	err = v.rows(ctx)
	if err != nil || v.report.Bad != nil {
		stop() // the rest of the file does not matter any more
	}
	if found := <-file; damaged(found) {
		v.say("%v", found)
	} else if err == nil && v.report.Bad == nil {
		err = found
	}
	if err == nil && v.report.Bad == nil {
		v.compare()
	}
	return err
}

func (v *verifier) say(format string, args ...any) {
	v.report.Faults = append(v.report.Faults, fmt.Sprintf(format, args...))
}

// schema compares the schema with what the program makes. It returns false if the tables are not as
// they must be to be read.
func (v *verifier) schema(ctx context.Context) (usable bool, err error) {
	found, err := aliens(ctx, v.db)
	for _, a := range found {
		switch {
		case !a.missing:
			v.say("the database has a %s %s that is not as this program makes it", a.kind, a.name)
		case a.kind == "trigger":
			v.say("the trigger %s, which keeps the journal from being changed, is gone or not as it was made", a.name)
		default:
			v.say("the %s %s is gone or not as it was made", a.kind, a.name)
		}
	}
	return !slices.ContainsFunc(found, func(a alien) bool { return a.missing && a.kind != "trigger" }), err
}

// start reads what is not in the rows, as it is at one moment: the identity, the number of the rows,
// the cursors, the indexes and the list of readings.
func (v *verifier) start(ctx context.Context) error {
	tx, err := v.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.Rollback()
	who, err := readRows(ctx, tx, (*identity).fields, identityQuery)
	if err != nil {
		return err
	}
	if len(who) != 1 {
		return fmt.Errorf("%w: the table journal has %d rows and must have one", errDamaged, len(who))
	}
	v.who, v.report.Journal = who[0], who[0].id
	var below uint64
	if err := tx.QueryRowContext(ctx, "select max(coalesce(max(seq), 0), 0), (select count(*) from event not indexed where seq < 1) from event").Scan(&v.total, &below); err != nil {
		return err
	}
	if below > 0 {
		v.say("%d rows are numbered below 1, which this program never does; they belong to no chain", below)
	}
	beyond, err := readRows(ctx, tx, (*cursor).fields, "select name, seq from cursor where seq > ? order by name", int64(v.total))
	if err != nil {
		return err
	}
	for _, c := range beyond {
		v.say("%s was passed on up to row %d, which is missing: rows were cut off the end", c.name, c.seq)
	}
	seed := maphash.MakeSeed()
	v.should.seed = seed
	v.holds, err = readLists(ctx, tx, seed)
	return err
}

// compare compares the indexes and the list of readings with the rows.
func (v *verifier) compare() {
	for i, name := range [...]string{"list of readings", "index event_station", "index event_kind", "index event_part"} {
		if holds, should := v.holds.of[i], v.should.of[i]; holds.misplaced || holds != should {
			v.say("the %s has %d entries for %d rows, or not the right ones: pages and exports may leave events out; go on from a backup, or export all as ndjson, which reads the rows themselves", name, holds.n, should.n)
		}
	}
}

// checked is a span of rows that a goroutine has checked.
type checked struct {
	no     uint64 // 0, 1, 2, …
	rows   uint64 // how many are sound
	head   hash   // of the last one that is sound
	bad    *BadRow
	should lists
	err    error
}

// rows checks the rows, several spans at the same time. Of the rows before a span it needs only the
// last one's hash, which is checked with that row.
func (v *verifier) rows(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer stop()
	var next atomic.Uint64
	results := make(chan checked)
	for range verifiers {
		wg.Go(func() {
			u := &unpacker{dictionary: v.who.dictionary}
			for no := next.Add(1) - 1; no*verifyStep < v.total; no = next.Add(1) - 1 {
				select {
				case results <- v.span(ctx, u, no):
				case <-ctx.Done():
					return
				}
			}
		})
	}
	head := v.who.genesis()
	early := map[uint64]checked{} // spans that were done before one that comes before them
	for no := uint64(0); no*verifyStep < v.total && v.report.Bad == nil; no++ {
		c, there := early[no]
		for ; !there; there = c.no == no {
			select {
			case c = <-results:
				early[c.no] = c
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		delete(early, no)
		if c.err != nil {
			return c.err
		}
		if c.rows > 0 {
			head = c.head
		}
		v.report.Rows += c.rows
		v.report.Bad = c.bad
		v.should.join(&c.should)
		v.progress(v.report.Rows, v.total)
	}
	v.report.Head = fmt.Sprintf("%x", head)
	return nil
}

// span checks the rows of a span.
func (v *verifier) span(ctx context.Context, u *unpacker, no uint64) checked {
	lo, hi := no*verifyStep+1, min((no+1)*verifyStep, v.total)
	c := checked{no: no, head: v.who.genesis(), should: lists{seed: v.should.seed}}
	rows, err := v.db.QueryContext(ctx, "select "+storedColumns+" from event not indexed where seq >= ? and seq <= ? order by seq", int64(max(lo-1, 1)), int64(hi))
	if err != nil {
		c.err = err
		return c
	}
	defer rows.Close()
	want, to := lo, indexedUpTo(v.total)
	for rows.Next() {
		var row stored
		if c.err = rows.Scan(row.fields()...); c.err != nil {
			return c
		}
		if row.seq < lo {
			copy(c.head[:], row.hash)
			continue
		}
		if row.seq != want {
			c.bad = &BadRow{want, missing(want, row.seq-1)}
			return c
		}
		e, err := row.check(c.head, u)
		if errors.Is(err, errNoMatch) {
			rows.Close() // so that its connection is free
			c.bad, c.err = v.changed(ctx, u, c.head, &row)
			return c
		} else if err != nil {
			c.bad = &BadRow{row.seq, err.Error()}
			return c
		}
		copy(c.head[:], row.hash)
		c.should.addRow(row.seq, &row.columns, e.Kind == event.Taken && row.seq <= to)
		c.rows, want = c.rows+1, want+1
	}
	if c.err = rows.Err(); c.err == nil && want <= hi {
		c.bad = &BadRow{want, missing(want, hi)}
	}
	return c
}

func missing(from, to uint64) string {
	if from == to {
		return "the row is missing"
	}
	return fmt.Sprintf("rows %d to %d are missing", from, to)
}

// changed says of a row whose hash does not match its body what was changed. It finds out from the
// next row: the hash of the next row follows from the one that was not changed.
func (v *verifier) changed(ctx context.Context, u *unpacker, before hash, row *stored) (*BadRow, error) {
	what := "its body or its hash was changed, or the end of the row before it"
	next, err := readRows(ctx, v.db, (*stored).fields, "select "+storedColumns+" from event where seq = ?", int64(row.seq)+1)
	if err != nil {
		return nil, err
	}
	if len(next) == 1 {
		asStored, asBody := hash{}, hash{}
		copy(asStored[:], row.hash)
		if body, err := u.unpack(row.packed); err == nil {
			asBody = link(before, row.seq, body)
		}
		if body, err := u.unpack(next[0].packed); err == nil {
			for from, says := range map[hash]string{asStored: "its body was changed: the hash does not match it", asBody: "its hash was changed"} {
				if h := link(from, next[0].seq, body); bytes.Equal(h[:], next[0].hash) {
					what = says
				}
			}
		}
	}
	return &BadRow{row.seq, what}, nil
}
