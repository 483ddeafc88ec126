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
	// Path is the path of the database file. Open makes its folder if it is missing.
	Path string
	// Reserve is how many bytes are kept in reserve for when the disk is full, and again as many for
	// the events that can't be recorded at the end. 0 means 8 MiB, a negative number means none.
	Reserve int64
	// Queue is how many events may wait for the disk before Append blocks. 0 means 10 000.
	Queue int
	// Station is the station under which the journal records a note about itself, for example that
	// it was damaged. "" means "journal".
	Station string
	// DumpDir is the folder for events that can't be recorded at the end; the next Open records
	// them. If it is "", or can't be written to, they go into the folder of the journal, else into
	// the system's folder for temporary files, where they may not stay and are not looked for.
	DumpDir string
	Log     zerolog.Logger   // the zero value logs nothing
	Now     func() time.Time // nil means time.Now
}

// The reasons why a journal can't be used, in addition to [ErrNewer], [ErrEarlier] and [ErrNotJournal].
var (
	ErrInUse  = errors.New("another process has the journal open; stop that one, or give this one a journal of its own")
	ErrClosed = errors.New("the journal is closed")
)

const (
	groupMost = 512  // largest number of events in a commit, unless one Append has more
	readers   = 4    // number of connections that read
	tailRows  = 1000 // number of newest rows that Open checks
)

// Journal is an open journal. Any goroutine may call [Journal.Append] and the methods that read the
// journal or use its cursors.
type Journal struct {
	cfg      Config
	path     string
	id       string
	lock     *os.File
	write    *sql.DB
	read     *sql.DB
	writer   writer
	packing  packing
	queue    *queue
	warnings []string

	checkpoints checkpointer
	reserve     reserveFile
	endReserve  reserveFile // the room for events that can't be recorded at the end
	probe       reserveFile // made to find out whether the disk has room
	tail        tailCache
	cursors     cursors

	onCommit func([]event.Record)
	onStatus func(Status)

	retry time.Duration // wait after a failed commit
	tick  time.Duration // interval between two rounds of upkeep

	mu      sync.Mutex // guards the fields below
	running bool
	last    uint64 // number of the newest event that is recorded
	state   condition
	changed chan struct{} // receives a value when the state has changed
}

// Open opens the journal, or begins a new one if there is none. If the file is damaged, Open moves
// all of it aside and begins a new journal; [Journal.Warnings] and an event of kind "note" say so.
// Open fails with [ErrInUse], [ErrNewer], [ErrEarlier] or [ErrNotJournal]. It fails on a network file system, and
// if the settings that make the journal safe do not work on its file system.
func Open(ctx context.Context, cfg Config) (_ *Journal, err error) {
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
	damage, err := j.load(ctx)
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
	if j.checkpoints.db, err = openPool(j.path, writerOptions, writerPragmas(), 1); err != nil {
		return nil, err
	}
	if err := j.takeDumps(ctx); err != nil {
		return nil, err
	}
	j.ensureReserves()
	if damage != nil {
		j.warn(fmt.Sprintf("the journal was damaged (%s) and has been moved to %s; a new journal begins here", damage.Fault, damage.MovedTo))
		err = j.Append(ctx, []event.Event{{Station: j.cfg.Station, At: j.cfg.Now(), Kind: event.NoteAdded, Source: "daemon", Damage: damage}})
	}
	return j, err
}

// View opens a journal for reading only. A daemon may have the journal open. The view shows the
// events that were recorded up to this moment. It accepts no events and takes no lock.
func View(ctx context.Context, path string) (*Journal, error) {
	j := &Journal{path: path, cfg: Config{Now: time.Now}, queue: newQueue(0, nil)}
	j.queue.close()
	var err error
	if j.read, err = openReadOnly(ctx, path); err != nil {
		return nil, fmt.Errorf("view journal %s: %w", path, err)
	}
	who := identity{}
	if err := j.read.QueryRowContext(ctx, "select id, made, dictionary, (select max(coalesce(max(seq), 0), 0) from event) from journal").Scan(append(who.fields(), &j.last)...); err != nil {
		return nil, errors.Join(fmt.Errorf("view journal %s: %w", path, err), j.release())
	}
	j.id, j.packing.dictionary = who.id, who.dictionary
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
	if err := makeFolders(filepath.Dir(path), syncDir); err != nil {
		return nil, fmt.Errorf("make the folder of the journal: %w", err)
	}
	// If the path is a symbolic link, all files of the journal lie beside the file that it points to.
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	changed := make(chan struct{}, 1)
	j := &Journal{
		cfg: cfg, path: path, queue: newQueue(cfg.Queue, changed),
		checkpoints: checkpointer{due: make(chan struct{}, 1), most: longLog},
		reserve:     reserveFile{path: path + ".reserve", size: cfg.Reserve},
		endReserve:  reserveFile{path: path + ".reserve-end", size: cfg.Reserve},
		probe:       reserveFile{path: path + ".probe", size: probeBytes},
		cursors:     cursors{set: map[string]uint64{}, unsaved: map[string]uint64{}},
		retry:       time.Second, tick: time.Second,
		state: condition{Status: Status{Recording: true, Since: cfg.Now()}}, changed: changed,
	}
	j.checkpoints.failed = j.tellApart
	return j, nil
}

func (j *Journal) dir() string { return filepath.Dir(j.path) }

// Warnings returns what a person should know about the state in which Open found the journal.
func (j *Journal) Warnings() []string { return j.warnings }

// ID returns the journal's identifier: 32 hexadecimal digits, drawn when the journal was created.
func (j *Journal) ID() string { return j.id }

// Last returns the number of the newest event that is recorded, 0 if there is none.
func (j *Journal) Last() uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.last
}

// OnCommit sets the function that is called with the events of each commit. The function gets every
// event once, in the order of the journal. The goroutine of Run calls it, so the journal records
// nothing until it returns. Set it before Run.
func (j *Journal) OnCommit(f func([]event.Record)) { j.onCommit = f }

// OnStatus sets the function that is called when the journal's status changes. A goroutine that Run
// has started calls it. Set it before Run.
func (j *Journal) OnStatus(f func(Status)) { j.onStatus = f }

// Close releases the journal. Run must have returned before. Close records the events that Run has
// not recorded, or writes them to a file elsewhere, as Run does at its end.
func (j *Journal) Close() error {
	j.queue.close()
	return errors.Join(j.finish(), j.release())
}

// release closes the connections and the lock file. The last connection that is closed copies the
// write-ahead log into the database.
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
