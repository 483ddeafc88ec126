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
	Reserve int64            // bytes kept free for when the disk is full; 0: 8 MiB, negative: none
	Queue   int              // events that may wait for the disk before Append blocks; 0: 10 000
	Station string           // under which the journal notes what happened to itself; "": "journal"
	DumpDir string           // folder for events that can't be recorded at the end; "": beside the journal, else the system's for temporary files
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
	id       string
	lock     *os.File
	write    *sql.DB
	read     *sql.DB
	writer   writer
	queue    *queue
	warnings []string

	checkpoints checkpointer
	reserve     reserveFile
	tail        tailCache
	cursors     cursors

	onCommit func([]event.Record)
	onStatus func(Status)

	retry time.Duration // after a failed commit
	tick  time.Duration // between two rounds of upkeep

	mu      sync.Mutex // guards what follows
	running bool
	last    uint64 // number of the newest event that is recorded
	state   condition
	changed chan struct{} // receives when the state has changed
}

// Open opens the journal, or begins one. A file that is damaged is moved aside,
// whole, and a new journal begun; [Journal.Warnings] and an event of kind "note"
// say so. It fails with [ErrInUse], [ErrNewer] or [ErrNotJournal], on a
// network file system, and if the disk does not take the settings that make
// the journal safe.
func Open(ctx context.Context, cfg Config) (*Journal, error) {
	return open(ctx, cfg, steps())
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
	warning, err := checkFileSystem(j.dir())
	if err != nil {
		return nil, err
	}
	if warning != "" {
		j.warn(warning)
	}
	damage, err := j.load(ctx, steps)
	if err != nil {
		return nil, err
	}
	if err := syncDir(j.dir()); err != nil {
		return nil, err
	}
	if j.read, err = openPool(j.path, "", readerPragmas(), readers); err != nil {
		return nil, err
	}
	if err := readBack(ctx, j.read, readerPragmas()); err != nil {
		return nil, err
	}
	if j.checkpoints.db, err = openPool(j.path, "", writerPragmas(), 1); err != nil {
		return nil, err
	}
	j.ensureReserve()
	if damage != nil {
		j.warn(fmt.Sprintf("the journal was damaged (%s) and has been moved to %s; a new journal begins here", damage.Fault, damage.MovedTo))
		err = j.Append(ctx, []event.Event{{Station: j.cfg.Station, At: j.cfg.Now(), Kind: event.NoteAdded, Source: "daemon", Damage: damage}})
	}
	return j, err
}

// View opens a journal to read only, also one that a daemon has open. It shows
// what was recorded up to now; it takes no events and no lock.
func View(ctx context.Context, path string) (*Journal, error) {
	j := &Journal{path: path, cfg: Config{Now: time.Now}, queue: newQueue(0, nil)}
	j.queue.close()
	var err error
	if j.read, err = openReadOnly(ctx, path, newest(steps())); err != nil {
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
	if cfg.Reserve == 0 {
		cfg.Reserve = 8 << 20
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
	changed := make(chan struct{}, 1)
	return &Journal{
		cfg: cfg, path: path, queue: newQueue(cfg.Queue, changed),
		checkpoints: checkpointer{due: make(chan struct{}, 1), most: longLog},
		reserve:     reserveFile{path: path + ".reserve", size: cfg.Reserve},
		cursors:     cursors{set: map[string]uint64{}, unsaved: map[string]uint64{}},
		retry:       time.Second, tick: time.Second,
		state: condition{Status: Status{Recording: true, Since: cfg.Now()}}, changed: changed,
	}, nil
}

func (j *Journal) dir() string { return filepath.Dir(j.path) }

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

// OnStatus sets the function that is called when the journal's state changes, by
// a goroutine of Run. Set it before Run.
func (j *Journal) OnStatus(f func(Status)) { j.onStatus = f }

// Close releases the journal. Run must have returned. Events that Run has not
// recorded are dealt with as at the end of Run.
func (j *Journal) Close() error {
	j.queue.close()
	return errors.Join(j.finish(), j.release())
}

// release closes what is open. The last connection to close writes the
// write-ahead log back into the database.
func (j *Journal) release() (err error) {
	if j.read != nil {
		err = j.read.Close()
		j.read = nil
	}
	if j.checkpoints.db != nil {
		err = errors.Join(err, j.checkpoints.db.Close())
		j.checkpoints.db = nil
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
