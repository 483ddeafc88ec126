package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
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
}

// BadRow is a row that is not as it was written.
type BadRow struct {
	Seq  uint64 `json:"seq"`
	What string `json:"what"`
}

// Sound reports whether no fault was found.
func (r *Report) Sound() bool { return r.Bad == nil && len(r.Faults) == 0 }

// Verify checks a journal and changes nothing. A daemon may be writing to the journal. Verify
// checks the file itself, that the rows are numbered without a gap, that the chain of hashes holds,
// that the columns agree with the bodies, and that the index of readings is complete. The report
// says what it finds. The error says what kept it from checking. Verify calls progress, which may
// be nil, now and then with the number of rows checked and the number of all rows.
func Verify(ctx context.Context, path string, progress func(done, total uint64)) (Report, error) {
	r := Report{Path: path}
	db, err := openReadOnly(ctx, path, newest(steps()))
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
func openReadOnly(ctx context.Context, path string, newest int) (*sql.DB, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	options := "mode=ro"
	for {
		db, err := openPool(path, options, readerPragmas(), 1)
		if err != nil {
			return nil, err
		}
		n, err := version(ctx, db, newest)
		if err == nil && n > 0 && n < newest {
			err = errOlder
		}
		if err == nil && n > 0 {
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

type verifier struct {
	db       *sql.DB
	report   *Report
	progress func(done, total uint64)
	head     hash
	total    uint64
	indexed  uint64 // readings that the index should have
}

func (v *verifier) run(ctx context.Context) error {
	if err := v.file(ctx); err != nil {
		return err
	}
	if err := v.db.QueryRowContext(ctx, "select id, (select coalesce(max(seq), 0) from event) from journal").Scan(&v.report.Journal, &v.total); err != nil {
		return err
	}
	v.head = genesis(v.report.Journal)
	for v.report.Bad == nil && v.report.Rows < v.total {
		if err := v.step(ctx); err != nil {
			return err
		}
	}
	v.report.Head = fmt.Sprintf("%x", v.head)
	if v.report.Bad != nil {
		return nil
	}
	if err := v.index(ctx); err != nil {
		return err
	}
	return v.cursors(ctx)
}

// file checks what does not depend on the rows.
func (v *verifier) file(ctx context.Context) error {
	if err := quickCheck(ctx, v.db); damaged(err) {
		v.report.Faults = append(v.report.Faults, err.Error())
	} else if err != nil {
		return err
	}
	missing, err := missingTriggers(ctx, v.db)
	if err != nil {
		return err
	}
	for _, name := range missing {
		v.report.Faults = append(v.report.Faults, "the trigger "+name+", which keeps the journal from being changed, is gone or not as it was made")
	}
	return nil
}

// verifyStep is how many rows are read at a time. A longer read would keep a running daemon from
// copying its write-ahead log into the database.
const verifyStep = 2000

// step checks the next rows.
func (v *verifier) step(ctx context.Context) error {
	v.progress(v.report.Rows, v.total)
	rows, err := readRows(ctx, v.db, (*stored).fields, "select "+storedColumns+" from event where seq > ? and seq <= ? order by seq limit ?",
		int64(v.report.Rows), int64(v.total), verifyStep)
	if err != nil {
		return err
	}
	for i := range rows {
		row := &rows[i]
		if want := v.report.Rows + 1; row.seq != want {
			v.bad(want, missing(want, row.seq-1))
			return nil
		}
		if err := row.check(v.head); errors.Is(err, errNoMatch) {
			return v.changed(ctx, row)
		} else if err != nil {
			v.bad(row.seq, err.Error())
			return nil
		}
		copy(v.head[:], row.hash)
		v.report.Rows++
		if row.kind == string(event.Taken) && row.seq <= indexedUpTo(v.total) {
			v.indexed++
		}
	}
	v.progress(v.report.Rows, v.total)
	if len(rows) == 0 { // no row is left, although the highest number is not reached
		v.bad(v.report.Rows+1, missing(v.report.Rows+1, v.total))
	}
	return nil
}

func missing(from, to uint64) string {
	if from == to {
		return "the row is missing"
	}
	return fmt.Sprintf("rows %d to %d are missing", from, to)
}

// changed enters a row whose hash does not match its body into the report. It finds out from the
// next row whether the body or the hash was changed: the hash of the next row follows from the one
// that was not changed.
func (v *verifier) changed(ctx context.Context, row *stored) error {
	what := "its body or its hash was changed, or the end of the row before it"
	next, err := readRows(ctx, v.db, (*stored).fields, "select "+storedColumns+" from event where seq = ?", int64(row.seq)+1)
	if err != nil {
		return err
	}
	if len(next) == 1 {
		asStored, asBody := hash{}, link(v.head, row.seq, row.body)
		copy(asStored[:], row.hash)
		for from, says := range map[hash]string{asStored: "its body was changed: the hash does not match it", asBody: "its hash was changed"} {
			if h := link(from, next[0].seq, next[0].body); bytes.Equal(h[:], next[0].hash) {
				what = says
			}
		}
	}
	v.bad(row.seq, what)
	return nil
}

func (v *verifier) bad(seq uint64, what string) { v.report.Bad = &BadRow{Seq: seq, What: what} }

// index compares the index of readings with the rows.
func (v *verifier) index(ctx context.Context) error {
	var there, right uint64
	err := v.db.QueryRowContext(ctx, `select count(*), count(e.seq) from reading r left join event e
		on e.seq = r.seq and e.station = r.station and e.kind = 'reading' where r.seq <= ?`, int64(indexedUpTo(v.total))).Scan(&there, &right)
	if err == nil && (there != v.indexed || right != v.indexed) {
		v.report.Faults = append(v.report.Faults, fmt.Sprintf("the index of readings has %d entries, %d of them right, for %d readings: pages and exports may leave some out; go on from a backup, or export all as ndjson, which reads the rows themselves", there, right, v.indexed))
	}
	return err
}

// cursors looks for cursors that point beyond the end of the journal. Such a cursor shows that rows
// were cut off the end.
func (v *verifier) cursors(ctx context.Context) error {
	beyond, err := readRows(ctx, v.db, (*cursor).fields, "select name, seq from cursor where seq > (select coalesce(max(seq), 0) from event) order by name")
	for _, c := range beyond {
		v.report.Faults = append(v.report.Faults, fmt.Sprintf("%s was passed on up to row %d, which is missing: rows were cut off the end", c.name, c.seq))
	}
	return err
}

// missingTriggers returns the names of the triggers that are missing or were changed.
func missingTriggers(ctx context.Context, db querier) (names []string, err error) {
	type trigger struct{ name, text string }
	found, err := readRows(ctx, db, func(t *trigger) []any { return []any{&t.name, &t.text} }, "select name, sql from sqlite_schema where type = 'trigger'")
	if err != nil {
		return nil, err
	}
	there := map[string]string{}
	for _, t := range found {
		there[t.name] = t.text
	}
	for name, text := range triggers() {
		if there[name] != "CREATE TRIGGER "+name+" "+text {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names, nil
}
