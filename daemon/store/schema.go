package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"
)

// application marks the file as a journal (PRAGMA application_id): "fbor".
const application = 0x66626f72

// step takes the schema from one version to the next. Version n is what the
// first n steps have made.
type step struct {
	what string
	run  func(context.Context, *sql.Tx) error
}

func schema() []step {
	return []step{
		{"the tables, and the triggers that keep them", func(ctx context.Context, tx *sql.Tx) error {
			if err := execAll(ctx, tx, tables, triggers(), fmt.Sprintf("pragma application_id = %d", application)); err != nil {
				return err
			}
			id := make([]byte, 16)
			rand.Read(id) // never fails (crypto/rand)
			_, err := tx.ExecContext(ctx, "insert into journal (only, id, made) values (1, ?, ?)", hex.EncodeToString(id), time.Now().UnixNano())
			return err
		}},
		{"the look-ups", func(ctx context.Context, tx *sql.Tx) error { return execAll(ctx, tx, indexes) }},
		{"the list of readings", listAll},
	}
}

const tables = `
create table journal (
	only integer primary key check (only = 1),
	id   text    not null,
	made integer not null
) strict;
create table event (
	seq     integer primary key,
	at      integer not null,
	station text    not null,
	kind    text    not null,
	job     text,
	part    text,
	depth   integer,
	angle   integer,
	body    text    not null,
	hash    blob    not null check (length(hash) = 32)
) strict;
create table cursor (
	name text    primary key,
	seq  integer not null
) strict, without rowid;
`

// indexes serve, in this order: the rebuild of a station and the span of a
// part; everything that is rare among readings; a part by its serial number.
// The third step leaves readings out of the first, so that none grows with a
// reading and a commit writes few pages.
const indexes = `
create index event_station on event (station, kind);
create index event_kind on event (kind) where kind <> 'reading';
create index event_part on event (part, station) where kind = 'part';
`

// guards are the triggers by name. The one on insert also stops INSERT OR
// REPLACE, and a second writer.
func guards() map[string]string {
	return map[string]string{
		"event_insert":   `before insert on event when new.seq is not (select coalesce(max(seq), 0) + 1 from event) begin select raise(abort, 'the journal goes on with the next number only'); end`,
		"event_update":   `before update on event begin select raise(abort, 'the journal is append-only'); end`,
		"event_delete":   `before delete on event begin select raise(abort, 'the journal is append-only'); end`,
		"journal_update": `before update on journal begin select raise(abort, 'a journal keeps its id'); end`,
		"journal_delete": `before delete on journal begin select raise(abort, 'a journal keeps its id'); end`,
	}
}

func triggers() string {
	var b strings.Builder
	for name, text := range guards() {
		fmt.Fprintf(&b, "create trigger if not exists %s %s;\n", name, text)
	}
	return b.String()
}

func execAll(ctx context.Context, tx *sql.Tx, texts ...string) error {
	for _, text := range texts {
		if _, err := tx.ExecContext(ctx, text); err != nil {
			return err
		}
	}
	return nil
}

// Reasons why a file is not opened, and is left as it is.
var (
	ErrNewer      = errors.New("the journal was written by a newer version of this program; use that one")
	errOlder      = errors.New("the journal was last written by an older version of this program; start the daemon with it once, which brings it up to date")
	ErrNotJournal = errors.New("the file is no journal of fairbore; give the path of one (journal.path in the configuration)")
)

// version reads how far the schema is and that it is ours.
func version(ctx context.Context, db querier) (n int, err error) {
	var app, objects int
	if err := db.QueryRowContext(ctx, "select (select application_id from pragma_application_id), (select user_version from pragma_user_version), (select count(*) from sqlite_schema)").Scan(&app, &n, &objects); err != nil {
		return 0, err
	}
	if app != application && objects+n+app > 0 {
		return 0, ErrNotJournal
	}
	if n > len(schema()) {
		return 0, fmt.Errorf("schema version %d, this program knows up to %d: %w", n, len(schema()), ErrNewer)
	}
	return n, nil
}

// migrate takes the schema to the newest version, each step in one transaction
// with the version number, after a copy of the file as it was.
func migrate(ctx context.Context, db *sql.DB, path string, steps []step) (warnings []string, err error) {
	n, err := version(ctx, db)
	if err != nil {
		return nil, err
	}
	if n > 0 && n < len(steps) {
		before := unused(fmt.Sprintf("%s.before-v%d", path, len(steps)))
		if _, err := db.ExecContext(ctx, "vacuum into ?", before); err != nil {
			return nil, fmt.Errorf("copy the journal to %s before its schema changes: %w", before, err)
		}
		if err := syncFile(before); err != nil {
			return nil, err
		}
		warnings = append(warnings, fmt.Sprintf("the journal's schema was brought from version %d to %d; a copy of it as it was is %s", n, len(steps), before))
	}
	for ; n < len(steps); n++ {
		if err := migrateOne(ctx, db, steps[n], n+1); err != nil {
			return nil, fmt.Errorf("bring the schema to version %d (%s): %w", n+1, steps[n].what, err)
		}
	}
	return warnings, nil
}

func migrateOne(ctx context.Context, db *sql.DB, s step, to int) error {
	tx, err := db.BeginTx(ctx, nil) // IMMEDIATE by the data source name
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if err := s.run(ctx, tx); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("pragma user_version = %d", to)); err != nil {
		return err
	}
	return tx.Commit()
}

// unused returns name, or name with a number after it if there is such a file.
func unused(name string) string {
	try := name
	for n := 2; ; n++ {
		if _, err := os.Lstat(try); errors.Is(err, os.ErrNotExist) {
			return try
		}
		try = fmt.Sprintf("%s.%d", name, n)
	}
}
