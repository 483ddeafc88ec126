package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/session"
)

// Config says where the journal is and how it is kept.
type Config struct {
	Path    string           // of the database file; its folder is made if need be
	Ballast int64            // bytes set aside for when the disk is full; 0: 8 MiB, negative: none
	Queue   int              // events that may wait for the disk before Append blocks; 0: 10 000
	Station string           // under which the journal notes what happened to itself; "": "journal"
	Spill   string           // folder for events that can't be recorded at the end; "": beside the journal, else the system's for temporary files
	Log     zerolog.Logger   // the zero value is silent
	Now     func() time.Time // nil: time.Now
}

// The reasons why a journal can't be used, beside [ErrNewer] and [ErrNotJournal].
var (
	ErrInUse  = errors.New("another process has the journal open; stop that one, or give this one a journal of its own")
	ErrClosed = errors.New("the journal is closed")
)

const (
	groupMost = 512  // events in a commit
	readers   = 4    // connections
	tailRows  = 1000 // checked at Open
)

// Journal is the open journal. [Journal.Append], the cursors and all that reads
// may be used by any goroutine.
type Journal struct {
	cfg      Config
	path     string
	dir      string
	id       string
	lock     *os.File
	write    *sql.DB
	read     *sql.DB
	writer   writer
	reserve  ballast
	warnings []string

	onCommit func([]session.Record)
	onStatus func(Status)

	retry time.Duration // after a failed commit
	tick  time.Duration // of the upkeep

	mu      sync.Mutex
	queue   []entry
	room    chan struct{} // closed when some has come free
	closed  bool          // to Append
	running bool
	last    uint64            // committed
	cursors map[string]uint64 // as set
	dirty   map[string]uint64 // set and not on disk
	state   condition

	wake    chan struct{} // something has queued
	changed chan struct{} // the state has
}

// Open opens the journal, or begins one. A file that is damaged is moved aside,
// whole, and a new journal begun; [Journal.Warnings] and an event of kind "note"
// tell of it. It fails with [ErrInUse], [ErrNewer] or [ErrNotJournal], on a
// network file system, and if the disk does not take the settings that make
// the journal safe.
func Open(ctx context.Context, cfg Config) (*Journal, error) {
	return open(ctx, cfg, schema())
}

func open(ctx context.Context, cfg Config, steps []step) (_ *Journal, err error) {
	j, err := prepare(cfg)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("open journal %s: %w", j.path, err), j.release())
		}
	}()
	if err := j.takeLock(); err != nil {
		return nil, err
	}
	place, err := fitPlace(j.dir)
	if err != nil {
		return nil, err
	}
	j.warn(place)
	aside, err := j.load(ctx, steps)
	if err != nil {
		return nil, err
	}
	if err := syncDir(j.dir); err != nil {
		return nil, err
	}
	if j.read, err = openPool(j.path, "", readerPragmas(), readers); err != nil {
		return nil, err
	}
	if err := readBack(ctx, j.read, readerPragmas()); err != nil {
		return nil, err
	}
	j.openBallast()
	if aside != "" {
		j.warn(aside)
		err = j.Append(ctx, []session.Event{{Station: j.cfg.Station, At: j.cfg.Now(), Kind: session.Told, Source: "daemon", Note: aside}})
	}
	return j, err
}

// View opens a journal to read only, also one that a daemon has open. It shows
// what was recorded up to now; it takes no events and no lock.
func View(ctx context.Context, path string) (*Journal, error) {
	j := &Journal{path: path, closed: true, cursors: map[string]uint64{}, cfg: Config{Now: time.Now}, room: make(chan struct{})}
	var err error
	if j.read, err = openReadOnly(ctx, path); err != nil {
		return nil, fmt.Errorf("view journal %s: %w", path, err)
	}
	if err := j.read.QueryRowContext(ctx, "select id, (select coalesce(max(seq), 0) from event) from journal").Scan(&j.id, &j.last); err != nil {
		return nil, errors.Join(fmt.Errorf("view journal %s: %w", path, err), j.release())
	}
	return j, nil
}

func prepare(cfg Config) (*Journal, error) {
	if cfg.Path == "" {
		return nil, errors.New("open journal: give its path")
	}
	path, err := filepath.Abs(cfg.Path)
	if err != nil {
		return nil, fmt.Errorf("open journal: %w", err)
	}
	if cfg.Ballast == 0 {
		cfg.Ballast = 8 << 20
	}
	if cfg.Queue <= 0 {
		cfg.Queue = 10_000
	}
	if cfg.Station == "" {
		cfg.Station = "journal"
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return nil, fmt.Errorf("make the folder of the journal: %w", err)
	}
	return &Journal{
		cfg: cfg, path: path, dir: filepath.Dir(path),
		reserve: ballast{path: path + ".ballast", size: cfg.Ballast},
		retry:   time.Second, tick: time.Second,
		room: make(chan struct{}), wake: make(chan struct{}, 1), changed: make(chan struct{}, 1),
		cursors: map[string]uint64{}, dirty: map[string]uint64{},
		state: condition{Status: Status{Recording: true, Since: cfg.Now()}},
	}, nil
}

// takeLock keeps a second daemon away for as long as this process lives. The
// lock file stays: to remove it would let two processes lock two files of one name.
func (j *Journal) takeLock() error {
	f, err := os.OpenFile(j.path+".lock", os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return err
	}
	if err := lockFile(f); err != nil {
		f.Close()
		return err
	}
	j.lock = f
	// For a person who wonders; nothing reads it.
	if err := f.Truncate(0); err == nil {
		fmt.Fprintf(f, "%d\n", os.Getpid())
	}
	return nil
}

// load opens the database and reads what the writer goes on from. If it is
// damaged it is moved aside and a new one begun; aside tells that story.
func (j *Journal) load(ctx context.Context, steps []step) (aside string, err error) {
	err = j.loadOnce(ctx, steps)
	if err == nil || !damaged(err) {
		return "", err
	}
	why := err
	j.closeWriter()
	to, err := moveAside(j.path, j.cfg.Now())
	if err != nil {
		return "", errors.Join(why, err)
	}
	aside = fmt.Sprintf("the journal was damaged (%v) and has been moved to %s; a new journal begins here", why, to)
	return aside, j.loadOnce(ctx, steps)
}

func (j *Journal) loadOnce(ctx context.Context, steps []step) (err error) {
	if j.write, err = openPool(j.path, "", writerPragmas(), 1); err != nil {
		return err
	}
	// The version comes first: a file that is not ours must stay as it is.
	if _, err := version(ctx, j.write); err != nil {
		return err
	}
	if err := readBack(ctx, j.write, writerPragmas()); err != nil {
		return err
	}
	if err := j.checkFile(ctx); err != nil {
		return err
	}
	said, err := migrate(ctx, j.write, j.path, steps)
	if err != nil {
		return err
	}
	j.warn(said...)
	if err := j.loadHead(ctx); err != nil {
		return err
	}
	return j.writer.open(ctx, j.write)
}

// quickMost is the size of file up to which Open waits for SQLite's check of
// all of it. A larger one is checked while the journal runs (see watch), so
// that starting does not take longer as the journal grows.
const quickMost = 32 << 20

func (j *Journal) checkFile(ctx context.Context) error {
	info, err := os.Stat(j.path)
	if err != nil {
		return err
	}
	_, err = os.Stat(j.suspect())
	if info.Size() > quickMost && err != nil {
		return nil
	}
	if err := quickCheck(ctx, j.write); err != nil {
		return err
	}
	return remove(j.suspect())
}

// suspect is a file that says that damage was found while the journal ran, so
// that the next start checks all of it.
func (j *Journal) suspect() string { return j.path + ".suspect" }

func (j *Journal) loadHead(ctx context.Context) error {
	if err := j.write.QueryRowContext(ctx, "select id from journal").Scan(&j.id); err != nil {
		return fmt.Errorf("read the journal's id: %w", err)
	}
	head := genesis(j.id)
	last, err := j.checkTail(ctx, &head)
	if err != nil {
		return err
	}
	j.last, j.state.Last, j.writer.head = last, last, head
	if err := j.loadCursors(ctx); err != nil {
		return err
	}
	return j.checkGuards(ctx)
}

// checkTail checks the newest rows, and leaves the hash of the last in head. A
// row that does not fit is reported and left for verify to judge; the chain
// goes on from what is there.
func (j *Journal) checkTail(ctx context.Context, head *hash) (last uint64, err error) {
	rows, err := readStored(ctx, j.write, "select * from (select "+storedColumns+" from event order by seq desc limit ?) order by seq", tailRows)
	if err != nil {
		return 0, fmt.Errorf("read the end of the journal: %w", err)
	}
	for i := range rows {
		r := &rows[i]
		if i > 0 || r.seq == 1 {
			if bad := r.check(*head); bad != nil {
				j.warn(fmt.Sprintf("row %d near the end of the journal: %v; run verify", r.seq, bad))
			}
		}
		copy(head[:], r.hash)
		last = r.seq
	}
	return last, nil
}

// checkGuards puts triggers back that somebody has taken away.
func (j *Journal) checkGuards(ctx context.Context) error {
	missing, err := missingGuards(ctx, j.write)
	if err != nil || len(missing) == 0 {
		return err
	}
	j.warn(fmt.Sprintf("the triggers that keep the journal from being changed were gone (%v) and have been put back; run verify", missing))
	_, err = j.write.ExecContext(ctx, triggers())
	return err
}

func (j *Journal) warn(texts ...string) {
	for _, text := range texts {
		if text != "" {
			j.warnings = append(j.warnings, text)
			j.cfg.Log.Warn().Str("journal", j.path).Msg(text)
		}
	}
}

// Warnings are what a person should know of how the journal was found.
func (j *Journal) Warnings() []string { return j.warnings }

// ID is the journal's own name, 32 hexadecimal digits, made when the journal was.
func (j *Journal) ID() string { return j.id }

// Last is the number of the newest event that is recorded, 0 if there is none.
func (j *Journal) Last() uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.last
}

// OnCommit sets the function that is given every recorded event, once, in the
// order of the journal, by the goroutine of Run: it holds up the journal for
// as long as it takes. Set it before Run.
func (j *Journal) OnCommit(f func([]session.Record)) { j.onCommit = f }

// OnStatus sets the function that is told when the journal's state changes, by
// a goroutine of Run. Set it before Run.
func (j *Journal) OnStatus(f func(Status)) { j.onStatus = f }

// Close releases the journal. Run must have returned. Events that Run has not
// recorded are dealt with as at the end of Run.
func (j *Journal) Close() error {
	j.shut()
	return errors.Join(j.finish(), j.release())
}

// release closes what is open. The last connection to close writes the
// write-ahead log back into the database.
func (j *Journal) release() (err error) {
	if j.read != nil {
		err = j.read.Close()
		j.read = nil
	}
	err = errors.Join(err, j.closeWriter())
	if j.lock != nil {
		err = errors.Join(err, j.lock.Close())
		j.lock = nil
	}
	return err
}

func (j *Journal) closeWriter() (err error) {
	if j.write != nil {
		err = errors.Join(j.writer.close(), j.write.Close())
		j.write = nil
	}
	return err
}

// moveAside renames the database with its log and shared memory, which belong
// together, so that they can still be looked into under the new name.
func moveAside(path string, now time.Time) (string, error) {
	to := unused(path + ".damaged-" + now.UTC().Format("20060102T150405Z"))
	for _, suffix := range []string{"-wal", "-shm", ""} {
		if err := os.Rename(path+suffix, to+suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return "", fmt.Errorf("move the damaged journal aside: %w", err)
		}
	}
	return to, syncDir(filepath.Dir(path))
}

func remove(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}
