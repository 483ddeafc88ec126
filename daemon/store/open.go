package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"fairbore/daemon/event"
)

// takeLock keeps a second daemon from opening the journal for as long as this process lives. The
// lock file is never removed: otherwise two processes could each lock a different file of that
// name.
func (j *Journal) takeLock() error {
	f, err := os.OpenFile(j.path+".lock", os.O_RDWR|os.O_CREATE|noFollow, 0o640)
	if err != nil {
		return err
	}
	if err := lockFile(f); err != nil {
		f.Close()
		return err
	}
	j.lock = f
	// The process id is written for a person to read. The program does not use it.
	if err := f.Truncate(0); err == nil {
		fmt.Fprintf(f, "%d\n", os.Getpid())
	}
	return nil
}

// load opens the database and reads what the writer needs to continue the journal. If the database
// is damaged, load moves it aside and begins a new one; damage then says what happened.
func (j *Journal) load(ctx context.Context) (damage *event.JournalDamage, err error) {
	err = j.loadOnce(ctx)
	if err == nil || !damaged(err) {
		return nil, err
	}
	why := err
	j.closeWriter()
	to, err := moveAside(j.path, ".damaged-", j.cfg.Now())
	if err != nil {
		return nil, errors.Join(why, err)
	}
	return &event.JournalDamage{Fault: why.Error(), MovedTo: to}, j.loadOnce(ctx)
}

func (j *Journal) loadOnce(ctx context.Context) (err error) {
	if err := makeFile(j.path); err != nil {
		return err
	}
	if err := checkHeader(j.path); err != nil {
		return err
	}
	if j.write, err = openPool(j.path, writerOptions, writerPragmas(), 1); err != nil {
		return err
	}
	// The version is checked first, since a file that is no journal must not be changed.
	empty, err := checkVersion(ctx, j.write)
	if err != nil {
		return err
	}
	if err := readBack(ctx, j.write, writerPragmas()); err != nil {
		return err
	}
	if err := j.checkFile(ctx); err != nil {
		return err
	}
	j.emptyLog(ctx)
	if empty {
		if err := create(ctx, j.write); err != nil {
			return fmt.Errorf("make the tables: %w", err)
		}
	}
	if err := j.loadHead(ctx); err != nil {
		return err
	}
	return j.writer.open(ctx, j.write)
}

// emptyLog copies the log that a killed program has left, so that the next commit does not go on in
// it. After a power cut that spoilt the end of the log, its last commit may end within a sector, and
// a second cut may spoil the sector that is written next. If it fails, the log still holds
// everything, so the start goes on.
func (j *Journal) emptyLog(ctx context.Context) {
	if _, _, err := checkpoint(ctx, j.write, "truncate"); err != nil {
		j.cfg.Log.Warn().Err(err).Str("journal", j.path).Msg("the log of the journal could not be copied at the start; it is copied later")
	}
}

// makeFile makes an empty file for a new journal. SQLite gives its log and its shared memory the mode
// of this file.
func makeFile(path string) error {
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		return err
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|noFollow, 0o640)
	if err != nil {
		return err
	}
	return f.Close()
}

// checkHeader refuses a database that another program made, before it is opened for writing: that
// would set it to keep a write-ahead log. It reads what SQLite states at the start of a file that it
// does not keep a log for (sqlite.org/fileformat2.html, "The Database Header"): the way it is written
// at byte 18, the version at 60, the application at 68. A journal always has a log.
func checkHeader(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	head := make([]byte, 72)
	if _, err := io.ReadFull(f, head); errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return nil // the file is empty, or SQLite says that it is no database
	} else if err != nil {
		return err
	}
	if head[18] != 1 || !bytes.HasPrefix(head, []byte("SQLite format 3\x00")) {
		return nil
	}
	if app := binary.BigEndian.Uint32(head[68:]); app != application {
		return ErrNotJournal
	}
	if n := binary.BigEndian.Uint32(head[60:]); n > schemaVersion {
		return fmt.Errorf("schema version %d, this program has %d: %w", n, schemaVersion, ErrNewer)
	}
	return nil
}

// quickMost is the largest size of a file, in bytes, that SQLite checks as a whole while Open
// waits. A larger file is checked while the journal runs (see checkLarge), so that the start does
// not take longer as the journal grows.
const quickMost = 32 << 20

func (j *Journal) checkFile(ctx context.Context) error {
	info, err := os.Stat(j.path)
	if err != nil {
		return err
	}
	_, err = os.Lstat(j.suspect())
	if info.Size() > quickMost && err != nil {
		return nil
	}
	// A row that breaks a constraint is for verify to find. The file is not moved aside for it.
	if _, err := j.write.ExecContext(ctx, "pragma ignore_check_constraints = 1"); err != nil {
		return err
	}
	if err := quickCheck(ctx, j.write); err != nil {
		return err
	}
	if _, err := j.write.ExecContext(ctx, "pragma ignore_check_constraints = 0"); err != nil {
		return err
	}
	return remove(j.suspect())
}

// suspect returns the path of a file that marks the journal as suspect. The file is made when
// damage is found while the journal runs. The next start then checks the whole journal.
func (j *Journal) suspect() string { return j.path + ".suspect" }

func (j *Journal) loadHead(ctx context.Context) error {
	who := identity{}
	if err := j.write.QueryRowContext(ctx, identityQuery).Scan(who.fields()...); err != nil {
		return fmt.Errorf("read the journal's id: %w", err)
	}
	head := who.genesis()
	j.id, j.packing.dictionary = who.id, who.dictionary
	last, err := j.checkTail(ctx, &head)
	if err != nil {
		return err
	}
	j.last, j.state.Last, j.writer.head = last, last, head
	if err := j.loadCursors(ctx); err != nil {
		return err
	}
	if err := j.restoreSchema(ctx); err != nil {
		return err
	}
	return j.repairIndex(ctx)
}

// checkTail checks the newest rows, and puts the hash of the last row into head. It warns of a row
// that is not sound. To find out more a person has to run verify.
func (j *Journal) checkTail(ctx context.Context, head *hash) (last uint64, err error) {
	rows, err := readRows(ctx, j.write, (*stored).fields, "select * from (select "+storedColumns+" from event where seq > 0 order by seq desc limit ?) order by seq", tailRows)
	if err != nil {
		return 0, fmt.Errorf("read the end of the journal: %w", err)
	}
	u := j.packing.take()
	defer j.packing.give(u)
	var below int
	if err := j.write.QueryRowContext(ctx, "select count(*) from event not indexed where seq < 1").Scan(&below); err != nil {
		return 0, fmt.Errorf("look for rows below 1: %w", err)
	}
	if below > 0 {
		j.warn(fmt.Sprintf("%d rows of the journal are numbered below 1, which this program never does; they are not used; run verify", below))
	}
	for i := range rows {
		r := &rows[i]
		if i > 0 || r.seq == 1 {
			if _, bad := r.check(*head, u); bad != nil {
				j.warn(fmt.Sprintf("row %d near the end of the journal: %v; run verify", r.seq, bad))
			}
		}
		copy(head[:], r.hash)
		last = r.seq
	}
	return last, nil
}

// restoreSchema makes the triggers and indexes again that somebody has removed or changed.
func (j *Journal) restoreSchema(ctx context.Context) error {
	found, err := aliens(ctx, j.write)
	if err != nil || len(found) == 0 {
		return err
	}
	var names []string
	for _, a := range found {
		names = append(names, a.kind+" "+a.name)
		if a.missing && a.kind != "table" {
			if _, err := j.write.ExecContext(ctx, "drop "+a.kind+" if exists "+a.name+"; "+a.text); err != nil {
				return fmt.Errorf("make %s %s again: %w", a.kind, a.name, err)
			}
		}
	}
	j.warn(fmt.Sprintf("the database was not as this program makes it (%s); triggers that keep it from being changed, and indexes, have been put back; run verify", strings.Join(slices.Compact(names), ", ")))
	return nil
}

func (j *Journal) warn(text string) {
	j.warnings = append(j.warnings, text)
	j.cfg.Log.Warn().Str("journal", j.path).Msg(text)
}

// moveAside renames the files of the database, of its log and of its shared memory. The three
// belong together, so that a person can still open the database under its new name.
func moveAside(path, mark string, now time.Time) (string, error) {
	to := unused(path + mark + now.UTC().Format(dumpTime))
	for _, suffix := range []string{"-wal", "-shm", ""} {
		if err := os.Rename(path+suffix, to+suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return "", fmt.Errorf("move the journal aside: %w", err)
		}
	}
	return to, syncDir(filepath.Dir(path))
}

// unused returns name if no file has this name, else name with a number appended.
func unused(name string) string {
	try := name
	for n := 2; ; n++ {
		if _, err := os.Lstat(try); errors.Is(err, os.ErrNotExist) {
			return try
		}
		try = fmt.Sprintf("%s.%d", name, n)
	}
}

func remove(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}
