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

	"fairbore/daemon/event"
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
	back     writeBack
	reserve  ballast
	recent   recent
	warnings []string

	onCommit func([]event.Record)
	onStatus func(Status)

	retry time.Duration // after a failed commit
	tick  time.Duration // of the upkeep

	mu      sync.Mutex
	queue   []*entry
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
	if j.back.db, err = openPool(j.path, "", writerPragmas(), 1); err != nil {
		return nil, err
	}
	j.openBallast()
	if aside != "" {
		j.warn(aside)
		err = j.Append(ctx, []event.Event{{Station: j.cfg.Station, At: j.cfg.Now(), Kind: event.Told, Source: "daemon", Note: aside}})
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
	if n, err := version(ctx, j.read); err != nil || n < len(schema()) {
		if err == nil {
			err = errOlder
		}
		return nil, errors.Join(fmt.Errorf("view journal %s: %w", path, err), j.release())
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
		room: make(chan struct{}), wake: make(chan struct{}, 1), changed: make(chan struct{}, 1), back: writeBack{due: make(chan struct{}, 1), most: longLog},
		cursors: map[string]uint64{}, dirty: map[string]uint64{},
		state: condition{Status: Status{Recording: true, Since: cfg.Now()}},
	}, nil
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
func (j *Journal) OnCommit(f func([]event.Record)) { j.onCommit = f }

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
	if j.back.db != nil {
		err = errors.Join(err, j.back.db.Close())
		j.back.db = nil
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
