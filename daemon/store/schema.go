package store

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"time"
)

// application is the number, "fbor" in ASCII, that marks a file as a journal (PRAGMA
// application_id).
const application = 0x66626f72

// schemaVersion is the version of the schema, which is kept in PRAGMA user_version. Development
// builds had version 1, which kept bodies as text.
const schemaVersion = 2

// create makes the schema and the journal's identity, in one transaction.
func create(ctx context.Context, db *sql.DB) error {
	tx, err := db.BeginTx(ctx, nil) // IMMEDIATE by the data source name
	if err != nil {
		return err
	}
	defer tx.Rollback()
	for _, o := range objects() {
		if _, err := tx.ExecContext(ctx, o.text); err != nil {
			return err
		}
	}
	id := make([]byte, 16)
	rand.Read(id) // never fails (crypto/rand)
	if _, err := tx.ExecContext(ctx, "insert into journal (only, id, made, dictionary) values (1, ?, ?, ?)", hex.EncodeToString(id), time.Now().UnixNano(), newDictionary); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("pragma application_id = %d; pragma user_version = %d", application, schemaVersion)); err != nil {
		return err
	}
	return tx.Commit()
}

// identity is the row of the table journal.
type identity struct {
	id         string
	made       int64 // when the journal was made, ns since 1970-01-01 UTC
	dictionary []byte
}

const identityQuery = "select id, made, dictionary from journal"

func (i *identity) fields() []any { return []any{&i.id, &i.made, &i.dictionary} }

// genesis returns the hash that takes the place of a hash before the first row. It depends on all
// that the journal says of itself, so that none of it can be changed, and the rows of one journal do
// not fit into another. The id has 32 digits, so that no two identities give the same bytes.
func (i *identity) genesis() hash {
	b := binary.BigEndian.AppendUint64([]byte(i.id), uint64(i.made))
	return sha256.Sum256(append(b, i.dictionary...))
}

// object is an entry of sqlite_schema. SQLite keeps the text of a statement that begins as these do
// exactly as it was given.
type object struct{ kind, name, on, text string }

func (o *object) fields() []any { return []any{&o.kind, &o.name, &o.on, &o.text} }

// objects returns all that a journal's schema has.
//
// The index event_station is for the rebuild of a station and the span of a part. The index
// event_kind is for events of any kind except readings. The index event_part finds a part by its
// serial number. No reading adds an entry to these indexes, so that a commit of readings writes few
// pages. The table reading is the index of the readings.
//
// The triggers keep the journal append-only. The trigger on insert also refuses INSERT OR REPLACE of
// an older row, and the rows of a second writer.
func objects() []object {
	return []object{
		{"table", "journal", "journal", `CREATE TABLE journal (
	only       integer primary key check (only = 1),
	id         text    not null check (length(id) = 32),
	made       integer not null,
	dictionary blob    not null
) strict`},
		{"table", "event", "event", `CREATE TABLE event (
	seq     integer primary key check (seq > 0),
	at      integer not null,
	station text    not null,
	kind    text    not null,
	job     text,
	part    text,
	body    blob    not null,
	hash    blob    not null check (length(hash) = 32)
) strict`},
		{"table", "cursor", "cursor", `CREATE TABLE cursor (
	name text    primary key,
	seq  integer not null
) strict, without rowid`},
		{"table", "reading", "reading", `CREATE TABLE reading (
	station text    not null,
	seq     integer not null,
	primary key (station, seq)
) strict, without rowid`},
		{"index", "event_station", "event", `CREATE INDEX event_station on event (station, kind) where kind <> 'reading'`},
		{"index", "event_kind", "event", `CREATE INDEX event_kind on event (kind) where kind <> 'reading'`},
		{"index", "event_part", "event", `CREATE INDEX event_part on event (part, station) where kind = 'part'`},
		{"trigger", "event_insert", "event", `CREATE TRIGGER event_insert before insert on event when new.seq is not (select coalesce(max(seq), 0) + 1 from event) begin select raise(abort, 'the journal goes on with the next number only'); end`},
		{"trigger", "event_update", "event", `CREATE TRIGGER event_update before update on event begin select raise(abort, 'the journal is append-only'); end`},
		{"trigger", "event_delete", "event", `CREATE TRIGGER event_delete before delete on event begin select raise(abort, 'the journal is append-only'); end`},
		{"trigger", "journal_update", "journal", `CREATE TRIGGER journal_update before update on journal begin select raise(abort, 'a journal keeps its identity'); end`},
		{"trigger", "journal_delete", "journal", `CREATE TRIGGER journal_delete before delete on journal begin select raise(abort, 'a journal keeps its identity'); end`},
	}
}

// alien is an entry of sqlite_schema that is not as the program makes it.
type alien struct {
	object
	missing bool // the entry, or its right text, is not there
}

// aliens compares the whole of sqlite_schema with what it must be. An entry whose text was changed
// gives two: the one that is missing, and the one that is too many.
func aliens(ctx context.Context, db querier) (out []alien, err error) {
	there, err := readRows(ctx, db, (*object).fields, "select type, name, tbl_name, coalesce(sql, '') from sqlite_schema order by type, name")
	if err != nil {
		return nil, err
	}
	must := objects()
	for _, o := range must {
		if !slices.Contains(there, o) {
			out = append(out, alien{o, true})
		}
	}
	for _, o := range there {
		if !slices.Contains(must, o) {
			out = append(out, alien{o, false})
		}
	}
	return out, nil
}

// The reasons why a file is not opened. The file is not changed then.
var (
	ErrNewer      = errors.New("the journal was written by a newer version of this program; use that one")
	ErrEarlier    = errors.New("the journal was made by a development build, whose journals this version can't read; keep the file, and name another path in journal.path for a new one")
	ErrNotJournal = errors.New("the file is no journal of fairbore; give the path of one (journal.path in the configuration)")
)

// checkVersion checks that a file is a journal of this version of the schema. It returns true if
// the file is empty.
func checkVersion(ctx context.Context, db querier) (empty bool, err error) {
	var app, n, objects int
	if err := db.QueryRowContext(ctx, "select (select application_id from pragma_application_id), (select user_version from pragma_user_version), (select count(*) from sqlite_schema)").Scan(&app, &n, &objects); err != nil {
		return false, err
	}
	switch {
	case app == 0 && n == 0 && objects == 0:
		return true, nil
	case app != application:
		return false, ErrNotJournal
	case n > schemaVersion:
		return false, fmt.Errorf("schema version %d, this program has %d: %w", n, schemaVersion, ErrNewer)
	case n < schemaVersion:
		return false, fmt.Errorf("schema version %d, this program has %d: %w", n, schemaVersion, ErrEarlier)
	}
	return false, nil
}
