package store

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"sync"
	"time"

	lib "modernc.org/sqlite/lib"

	"fairbore/analysis"
)

// Status says whether the journal works. It is shown to people and used for alarms.
type Status struct {
	Recording bool            // events get to the disk
	Why       analysis.Phrase // why events do not get to the disk, or what else is wrong
	Since     time.Time       // when Recording last changed
	Queued    int             // number of events that are not recorded yet
	Room      int             // number of events that the queue has room for
	HalfFull  bool            // the queue is at least half full
	Waits     uint64          // how often Append had to wait for room since the start
	FreeBytes int64           // free bytes on the disk, -1 if not known
	Low       bool            // less than 200 MiB are free on the disk
	Reserve   bool            // the reserve file is missing: it was removed, or can't be made
	LogBytes  int64           // size of the write-ahead log
	LongLog   bool            // the log has more than 64 MiB: a reader stays too long
	// DiskErrors is how many times the disk has failed to read or write since the start, other than
	// for want of room. What failed may have worked when it was tried again.
	DiskErrors uint64
	Last       uint64 // number of the newest recorded event
}

const (
	lowBytes     = 200 << 20
	longLogBytes = 64 << 20
	stallAfter   = 3 * time.Second // a commit that takes longer counts as not recording
)

// condition is the state from which Status is made. The mutex mu of Journal guards it.
type condition struct {
	Status
	busy   time.Time       // when the running commit began, zero if none is running
	damage analysis.Phrase // damage that the check in the background found
	erred  time.Time       // when the log last told of an error of the disk
	times  times           // how long the commits since the start took
}

// Status returns the state of the journal.
func (j *Journal) Status() Status {
	now := j.cfg.Now()
	queued, waits, _ := j.queue.status()
	j.mu.Lock()
	defer j.mu.Unlock()
	s := j.state.Status
	s.Queued, s.Room, s.Waits, s.Last = queued, j.cfg.Queue, waits, j.last
	s.HalfFull = 2*s.Queued >= s.Room
	switch {
	case s.Recording && !j.state.busy.IsZero() && now.Sub(j.state.busy) > stallAfter:
		s.Recording, s.Since, s.Why = false, j.state.busy, analysis.Say("store.no_answer")
	case s.Recording && !j.state.damage.IsZero():
		s.Why = j.state.damage
	case s.Recording && s.Reserve:
		s.Why = analysis.Say("store.reserve")
	case s.Recording && s.DiskErrors > 0:
		s.Why = analysis.Say("store.erred", s.DiskErrors)
	case s.Recording && s.Low:
		s.Why = analysis.Say("store.low")
	}
	return s
}

// working notes that a commit begins (on) or has ended.
func (j *Journal) working(on bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if !j.state.busy.IsZero() {
		j.state.times.add(j.cfg.Now().Sub(j.state.busy))
	}
	j.state.busy = time.Time{}
	if on {
		j.state.busy = j.cfg.Now()
	}
}

// failed notes that a commit has failed.
func (j *Journal) failed(err error) {
	why := explain(err)
	queued, _, _ := j.queue.status()
	j.mu.Lock()
	defer j.mu.Unlock()
	if !j.state.Recording && j.state.Why.Error() == why.Error() {
		return
	}
	if j.state.Recording {
		j.state.Since = j.cfg.Now()
	}
	j.state.Recording, j.state.Why = false, why
	j.cfg.Log.Error().Err(err).Str("journal", j.path).Int("queued", queued).Str("why", why.Error()).Msg("journal not recording")
	if damaged(err) {
		j.suspected()
	}
	signal(j.changed)
}

// toldAgain is the time after which the log tells again of errors of the disk that go on.
const toldAgain = time.Hour

// diskFailed notes that the disk has failed, other than for want of room.
func (j *Journal) diskFailed(err error) {
	now := j.cfg.Now()
	j.mu.Lock()
	defer j.mu.Unlock()
	j.state.DiskErrors++
	if j.state.erred.IsZero() || now.Sub(j.state.erred) > toldAgain {
		j.state.erred = now
		j.cfg.Log.Error().Err(err).Str("journal", j.path).Uint64("errors", j.state.DiskErrors).Msg("the disk fails: copy the journal to another disk and replace this one")
	}
	signal(j.changed)
}

// explain returns a text for people that says why a commit has failed and what to do.
func explain(err error) analysis.Phrase {
	switch c := code(err); {
	case full(err):
		return analysis.Say("store.full")
	case damaged(err):
		return analysis.Say("store.damaged")
	case c == lib.SQLITE_BUSY, c == lib.SQLITE_LOCKED:
		return analysis.Say("store.held")
	case c == lib.SQLITE_READONLY, c == lib.SQLITE_CANTOPEN, c == lib.SQLITE_PERM:
		return analysis.Say("store.refuses")
	case c == lib.SQLITE_IOERR:
		return analysis.Say("store.fails")
	}
	return analysis.Say("store.failed", err)
}

// succeeded notes that a commit has worked.
func (j *Journal) succeeded() {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.state.Recording {
		return
	}
	j.state.Recording, j.state.Why, j.state.Since = true, analysis.Phrase{}, j.cfg.Now()
	j.cfg.Log.Info().Str("journal", j.path).Uint64("last", j.last).Msg("journal is recording again")
	signal(j.changed)
}

// suspected marks the journal as suspect, so that the next start checks the whole file.
func (j *Journal) suspected() {
	f, err := os.OpenFile(j.suspect(), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err == nil {
		err = f.Close()
	}
	if err != nil && !errors.Is(err, fs.ErrExist) {
		j.cfg.Log.Error().Err(err).Msg("the next start will not check the journal: its mark could not be written")
	}
}

// startWatch starts the goroutines that run beside the writer. It returns a function that stops
// them and waits until they have ended.
func (j *Journal) startWatch(ctx context.Context) (stop func()) {
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	var wg sync.WaitGroup
	wg.Go(func() { j.watch(ctx) })
	wg.Go(func() { j.checkLarge(ctx) })
	wg.Go(func() { j.checkpoints.run(ctx) })
	return func() { cancel(); wg.Wait() }
}

// watch measures the disk, restores the reserve file and calls the function of OnStatus. It runs in
// a goroutine other than the writer's, so it can report that the writer is stuck.
func (j *Journal) watch(ctx context.Context) {
	tick := time.NewTicker(j.tick)
	defer tick.Stop()
	told := Status{Recording: true}
	for {
		j.measureDisk()
		told = j.report(told)
		select {
		case <-tick.C:
			j.restoreReserves()
		case <-j.changed:
		case <-ctx.Done():
			j.report(told)
			return
		}
	}
}

// measureDisk measures the free room on the disk and the size of the write-ahead log.
func (j *Journal) measureDisk() {
	free, err := freeBytes(j.dir())
	if err != nil {
		free = -1
	}
	var log int64
	if info, err := os.Stat(j.path + "-wal"); err == nil {
		log = info.Size()
	} else if !errors.Is(err, fs.ErrNotExist) {
		log = -1
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	s := &j.state.Status
	s.FreeBytes, s.Low = free, free >= 0 && free < lowBytes
	s.LogBytes, s.LongLog = log, log > longLogBytes
}

// report calls the function of OnStatus if the status differs from told, the status that was
// reported last, in something that a person should know. It returns the status that is now the last
// reported one.
func (j *Journal) report(told Status) Status {
	now := j.Status()
	if now.Recording == told.Recording && now.Why.Error() == told.Why.Error() && now.Reserve == told.Reserve &&
		now.Low == told.Low && now.HalfFull == told.HalfFull && now.LongLog == told.LongLog && now.Waits == told.Waits {
		return told
	}
	if now.Waits != told.Waits || now.HalfFull && !told.HalfFull || now.LongLog && !told.LongLog {
		j.cfg.Log.Warn().Int("queued", now.Queued).Uint64("waits", now.Waits).Int64("log_bytes", now.LogBytes).Msg("the journal does not keep up")
	}
	if j.onStatus != nil {
		j.onStatus(now)
	}
	return now
}

// checkLargeAfter is how long after the start a large file is checked, so that the check does not
// take the processor from the start.
const checkLargeAfter = 10 * time.Second

// checkLarge checks the whole file while the journal runs, if the file was too large to be checked
// by Open. Until the check ends, the write-ahead log can't start again and grows.
func (j *Journal) checkLarge(ctx context.Context) {
	info, err := os.Stat(j.path)
	if err != nil || info.Size() <= quickMost {
		return
	}
	wait(ctx, checkLargeAfter)
	if err := quickCheck(ctx, j.read); err == nil || !damaged(err) {
		// The file is sound, or ctx has ended, or the disk fails. The writer reports a failing disk.
		return
	} else {
		j.cfg.Log.Error().Err(err).Str("journal", j.path).Msg("journal damaged")
	}
	j.suspected()
	j.mu.Lock()
	defer j.mu.Unlock()
	j.state.damage = analysis.Say("store.damage_found")
	signal(j.changed)
}
