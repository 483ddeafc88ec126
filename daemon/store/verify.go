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

// verifiers is how many goroutines check rows. Each uses a connection. SQLite's own check of the file
// uses another, and so does what reads the indexes.
const verifiers = readers - 2

type verifier struct {
	db       *sql.DB
	packing  packing
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
	tx, err := v.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if err := v.start(ctx, tx); err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	file, indexes := make(chan error, 1), make(chan error, 1)
	go func() { file <- quickCheck(ctx, v.db) }()
	v.should.seed = maphash.MakeSeed()
	go func() {
		var err error
		v.holds, err = readLists(ctx, tx, v.should.seed)
		indexes <- errors.Join(err, tx.Rollback())
	}()
	err = v.rows(ctx)
	whole := err == nil && v.report.Bad == nil
	if !whole {
		stop() // the rest of the file does not matter any more
	}
	for _, found := range []error{<-file, <-indexes} {
		if damaged(found) {
			v.say("%v", found)
			whole = false
		} else if whole && found != nil {
			err, whole = found, false
		}
	}
	if whole {
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

// start reads what is not in the rows: the identity, the number of the rows and the cursors. The
// indexes are read later, as they were at that moment.
func (v *verifier) start(ctx context.Context, tx querier) error {
	who, err := readRows(ctx, tx, (*identity).fields, identityQuery)
	if err != nil {
		return err
	}
	if len(who) != 1 {
		return fmt.Errorf("%w: the table journal has %d rows and must have one", errDamaged, len(who))
	}
	v.who, v.report.Journal, v.packing.dictionary = who[0], who[0].id, who[0].dictionary
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
	return nil
}

// compare compares the indexes and the list of readings with the rows.
func (v *verifier) compare() {
	for i, name := range [...]string{"list of readings", "index event_station", "index event_kind", "index event_part"} {
		if holds, should := v.holds.of[i], v.should.of[i]; holds.misplaced || holds != should {
			v.say("the %s has %d entries for %d rows, or not the right ones: pages and exports may leave events out; go on from a backup, or export all as ndjson, which reads the rows themselves", name, holds.n, should.n)
		}
	}
}

// checked is a span of rows that was checked.
type checked struct {
	rows   uint64 // how many are sound
	head   hash   // of the last one that is sound
	bad    *BadRow
	should lists
}

// rows checks the rows, several spans at the same time. Of the rows before a span it needs only the
// last one's hash, which is checked with that row.
func (v *verifier) rows(ctx context.Context) error {
	spans := func(yield func(uint64, error) bool) {
		for lo := uint64(1); lo <= v.total && yield(lo, nil); lo += verifyStep {
		}
	}
	head := v.who.genesis()
	for c, err := range inOrder(ctx, verifiers, spans, v.span) {
		if err != nil {
			return err
		}
		if c.rows > 0 {
			head = c.head
		}
		v.report.Rows += c.rows
		v.should.join(&c.should)
		v.progress(v.report.Rows, v.total)
		if v.report.Bad = c.bad; c.bad != nil {
			break
		}
	}
	v.report.Head = fmt.Sprintf("%x", head)
	return nil
}

// span checks the rows of a span, which begins with the row lo.
func (v *verifier) span(ctx context.Context, lo uint64) (c checked, err error) {
	hi, to := min(lo+verifyStep-1, v.total), indexedUpTo(v.total)
	c = checked{head: v.who.genesis(), should: lists{seed: v.should.seed}}
	rows, err := v.db.QueryContext(ctx, "select "+storedColumns+" from event not indexed where seq >= ? and seq <= ? order by seq", int64(max(lo-1, 1)), int64(hi))
	if err != nil {
		return c, err
	}
	defer rows.Close()
	u := v.packing.take()
	defer v.packing.give(u)
	var row stored
	fields, want := row.inPlace(), lo
	for rows.Next() {
		if err := rows.Scan(fields...); err != nil {
			return c, err
		}
		if row.seq < lo {
			copy(c.head[:], row.hash)
			continue
		}
		if row.seq != want {
			c.bad = &BadRow{want, missing(want, row.seq-1)}
			return c, nil
		}
		e, err := row.check(c.head, u)
		if errors.Is(err, errNoMatch) {
			row.packed, row.hash = bytes.Clone(row.packed), bytes.Clone(row.hash)
			rows.Close() // so that its connection is free
			c.bad, err = v.changed(ctx, u, c.head, &row)
			return c, err
		} else if err != nil {
			c.bad = &BadRow{row.seq, err.Error()}
			return c, nil
		}
		copy(c.head[:], row.hash)
		c.should.addRow(row.seq, &row.columns, e.Kind == event.Taken && row.seq <= to)
		c.rows, want = c.rows+1, want+1
	}
	if err := rows.Err(); err != nil {
		return c, err
	}
	if want <= hi {
		c.bad = &BadRow{want, missing(want, hi)}
	}
	return c, nil
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
