package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"strings"
	"syscall"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

// querier is what a pool, a connection and a transaction have in common.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// readRows returns the rows that a query picks. fields returns where the columns of a
// row are to be put.
func readRows[T any](ctx context.Context, db querier, fields func(*T) []any, query string, args ...any) (out []T, err error) {
	rows, err := db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var row T
		if err := rows.Scan(fields(&row)...); err != nil {
			return nil, err
		}
		out = append(out, row)
	}
	return out, rows.Err()
}

// Every pragma is in the data source name, since one that is executed reaches
// only one connection of a pool. The value is what it must read back as.
func writerPragmas() map[string]string {
	return map[string]string{
		"busy_timeout":       "5000",
		"journal_mode":       "wal",
		"wal_autocheckpoint": "15000", // pages, 60 MiB: for when writeBack does not keep up
		"synchronous":        "2",     // FULL
		"foreign_keys":       "1",
		"temp_store":         "2", // in memory: what a statement would undo, which it writes down for each page
		"recursive_triggers": "1", // so that INSERT OR REPLACE meets the trigger on delete
	}
}

func readerPragmas() map[string]string {
	return map[string]string{"busy_timeout": "5000", "query_only": "1"}
}

// source builds the data source name of a file.
func source(path, options string, pragmas map[string]string) string {
	p := filepath.ToSlash(path)
	if !strings.HasPrefix(p, "/") {
		p = "/" + p // a Windows drive letter
	}
	q := url.Values{"_txlock": {"immediate"}, "_dqs": {"0"}}
	for name, value := range pragmas {
		q.Add("_pragma", name+"("+value+")")
	}
	u := url.URL{Scheme: "file", Path: p, RawQuery: q.Encode()}
	if options != "" {
		u.RawQuery += "&" + options
	}
	// net/url would leave these as they are in a path; SQLite and the driver
	// look for the first of them.
	return "file://" + strings.NewReplacer("?", "%3F", "#", "%23").Replace(u.EscapedPath()) + "?" + u.RawQuery
}

func openPool(path, options string, pragmas map[string]string, conns int) (*sql.DB, error) {
	db, err := sql.Open("sqlite", source(path, options, pragmas))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(conns)
	db.SetMaxIdleConns(conns)
	return db, nil
}

// readBack checks that the connection runs with what it was asked to.
func readBack(ctx context.Context, db querier, pragmas map[string]string) error {
	for name, want := range pragmas {
		var got string
		if err := db.QueryRowContext(ctx, "pragma "+name).Scan(&got); err != nil {
			return fmt.Errorf("pragma %s: %w", name, err)
		}
		if !strings.EqualFold(got, want) {
			return fmt.Errorf("pragma %s is %q and must be %q; the journal can't be kept safely on this file system", name, got, want)
		}
	}
	return nil
}

// quickCheck runs SQLite's own check of the file.
func quickCheck(ctx context.Context, db querier) error {
	var first string
	if err := db.QueryRowContext(ctx, "pragma quick_check(1)").Scan(&first); err != nil {
		return fmt.Errorf("quick_check: %w", err)
	}
	if first != "ok" {
		return fmt.Errorf("quick_check: %w: %s", errDamaged, strings.Join(strings.Fields(first), " "))
	}
	return nil
}

var errDamaged = errors.New("the database file is damaged")

// code returns SQLite's primary result code of an error, 0 if it has none.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

// damaged reports whether an error says that the file's content is broken, as
// against a disk that failed, or was full, or a lock.
func damaged(err error) bool {
	c := code(err)
	return c == lib.SQLITE_CORRUPT || c == lib.SQLITE_NOTADB || errors.Is(err, errDamaged)
}

// wantsRoom reports whether an error can come from a full disk. A write that
// fails for a quota, or for lack of room for the shared-memory file, is
// reported as an I/O error only.
func wantsRoom(err error) bool {
	c := code(err)
	return c == lib.SQLITE_FULL || c == lib.SQLITE_IOERR || errors.Is(err, syscall.ENOSPC)
}

func full(err error) bool {
	return code(err) == lib.SQLITE_FULL || errors.Is(err, syscall.ENOSPC)
}
