package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"
)

// application is the number, "fbor" in ASCII, that marks a file as a journal (PRAGMA
// application_id).
const application = 0x66626f72

// step brings a journal from one version of the schema to the next.
type step struct {
	what string
	run  func(context.Context, *sql.Tx) error
}

// steps returns the steps that bring an older journal up to date, in order. The first step leads
// from version 1, which create makes, to version 2. A new journal goes through all steps as well.
func steps() []step { return nil }

// newest returns the version of the schema after the steps. The version is kept in PRAGMA
// user_version.
func newest(steps []step) int { return 1 + len(steps) }

// create makes version 1 of the schema, and the journal's id.
func create(ctx context.Context, tx *sql.Tx) error {
	if err := execAll(ctx, tx, tables, createTriggers(), fmt.Sprintf("pragma application_id = %d", application)); err != nil {
		return err
	}
	id := make([]byte, 16)
	rand.Read(id) // never fails (crypto/rand)
	_, err := tx.ExecContext(ctx, "insert into journal (only, id, made) values (1, ?, ?)", hex.EncodeToString(id), time.Now().UnixNano())
	return err
}

// The index event_station is for the rebuild of a station and the span of a part. The index
// event_kind is for events of any kind except readings. The index event_part finds a part by its
// serial number. No reading adds an entry to these indexes, so that a commit of readings writes few
// pages. The table reading is the index of the readings.
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
create table reading (
	station text    not null,
	seq     integer not null,
	primary key (station, seq)
) strict, without rowid;
create index event_station on event (station, kind) where kind <> 'reading';
create index event_kind on event (kind) where kind <> 'reading';
create index event_part on event (part, station) where kind = 'part';
`

// triggers returns the triggers that keep the journal append-only, by their names. The trigger on
// insert also refuses INSERT OR REPLACE of an older row, and the rows of a second writer.
func triggers() map[string]string {
	return map[string]string{
		"event_insert":   `before insert on event when new.seq is not (select coalesce(max(seq), 0) + 1 from event) begin select raise(abort, 'the journal goes on with the next number only'); end`,
		"event_update":   `before update on event begin select raise(abort, 'the journal is append-only'); end`,
		"event_delete":   `before delete on event begin select raise(abort, 'the journal is append-only'); end`,
		"journal_update": `before update on journal begin select raise(abort, 'a journal keeps its id'); end`,
		"journal_delete": `before delete on journal begin select raise(abort, 'a journal keeps its id'); end`,
	}
}

func createTriggers() string {
	var b strings.Builder
	for name, text := range triggers() {
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

// The reasons why a file is not opened. The file is not changed then.
var (
	ErrNewer      = errors.New("the journal was written by a newer version of this program; use that one")
	errOlder      = errors.New("the journal was last written by an older version of this program; start the daemon with it once, which brings it up to date")
	ErrNotJournal = errors.New("the file is no journal of fairbore; give the path of one (journal.path in the configuration)")
)

// version returns the version of the file's schema, 0 for an empty file. It checks that the file is
// a journal, and that its version is not above newest.
func version(ctx context.Context, db querier, newest int) (n int, err error) {
	var app, objects int
	if err := db.QueryRowContext(ctx, "select (select application_id from pragma_application_id), (select user_version from pragma_user_version), (select count(*) from sqlite_schema)").Scan(&app, &n, &objects); err != nil {
		return 0, err
	}
	if app != application && objects+n+app > 0 {
		return 0, ErrNotJournal
	}
	if n > newest {
		return 0, fmt.Errorf("schema version %d, this program knows up to %d: %w", n, newest, ErrNewer)
	}
	return n, nil
}

// migrate brings the schema from version n to the newest version. Each step is one transaction,
// which also sets the version.
func migrate(ctx context.Context, db *sql.DB, n int, steps []step) error {
	for all := append([]step{{"the tables", create}}, steps...); n < len(all); n++ {
		if err := runStep(ctx, db, all[n], n+1); err != nil {
			return fmt.Errorf("bring the schema to version %d (%s): %w", n+1, all[n].what, err)
		}
	}
	return nil
}

func runStep(ctx context.Context, db *sql.DB, s step, to int) error {
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
