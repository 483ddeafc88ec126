package port

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"

	"fairbore/drivers"

	"github.com/rs/zerolog"
)

const (
	tapQueue   = 256              // chunks that may wait for the disk
	tapBatch   = 32 << 10         // bytes written at once at most
	tapParts   = 8                // recordings that the allowance is divided into
	tapFiles   = 64               // and how many there may be, however short
	tapRetry   = 10 * time.Second // after a fault of the disk
	tapPatient = 2 * time.Second  // how long a stop waits for the disk
)

// tap keeps recordings of all that passes, beside the straight line: its own
// goroutine writes, and what the disk can't take is dropped and counted, so a
// slow or full disk never holds up a reading.
//
// A recording is only ever appended to, synced when it is full and at the end;
// a power cut leaves at most a torn last line. The oldest are removed so that
// all together stay within the allowance.
type tap struct {
	cfg     Config
	log     zerolog.Logger
	retry   time.Duration // pause after a fault of the disk
	queue   chan drivers.Chunk
	quit    chan struct{} // closed: write what has queued, and end
	done    chan struct{}
	dropped atomic.Uint64
	faults  atomic.Uint64

	// Of the goroutine alone.
	file   *os.File
	size   int64         // of the file's whole lines
	base   time.Duration // what the file's times count from
	buf    []byte
	lines  uint64    // in buf
	failed time.Time // when the disk last failed, zero: it works
	missed uint64    // chunks since then
}

func newTap(c Config, log zerolog.Logger) *tap { return &tap{cfg: c, log: log, retry: tapRetry} }

func (t *tap) start() {
	t.queue, t.quit, t.done = make(chan drivers.Chunk, tapQueue), make(chan struct{}), make(chan struct{})
	go t.run()
}

// stop waits for what has queued to be written, but not for ever.
func (t *tap) stop() {
	close(t.quit)
	limit := time.NewTimer(tapPatient)
	defer limit.Stop()
	select {
	case <-t.done:
	case <-limit.C:
		t.log.Error().Msg("the disk does not take the end of the recording")
	}
}

func (t *tap) put(c drivers.Chunk) {
	select {
	case t.queue <- c:
	default:
		t.dropped.Add(1)
	}
}

// chunk takes what came.
func (t *tap) chunk(c Chunk) {
	switch c.Kind {
	case Data:
		t.put(drivers.Chunk{At: c.At.Mono, Wall: c.At.Wall, Data: append([]byte(nil), c.Data...)})
	case Idle:
		t.remark(c.At, markIdle)
	case LineError:
		t.remark(c.At, markLineError)
	case LineState:
		t.remark(c.At, markLines+c.Lines.String())
	case Up:
		t.remark(c.At, markBecause+c.Why)
		t.remark(c.At, drivers.MarkOpened)
	case Lost:
		t.remark(c.At, markBecause+c.Why)
		t.remark(c.At, drivers.MarkLost)
	}
}

func (t *tap) remark(at Stamp, mark string) {
	t.put(drivers.Chunk{At: at.Mono, Wall: at.Wall, Mark: mark})
}

// sent takes what was written to the gauge.
func (t *tap) sent(at Stamp, data []byte) {
	t.put(drivers.Chunk{At: at.Mono, Wall: at.Wall, Out: true, Data: data})
}

func (t *tap) run() {
	defer close(t.done)
	for {
		select {
		case c := <-t.queue:
			t.add(c)
			t.rest()
		case <-t.quit:
			t.rest()
			t.finish()
			return
		}
	}
}

// rest writes what has queued.
func (t *tap) rest() {
	for {
		select {
		case c := <-t.queue:
			if t.add(c); len(t.buf) >= tapBatch {
				t.flush()
			}
		default:
			t.flush()
			return
		}
	}
}

// add puts a chunk into the batch, with a recording open for it.
func (t *tap) add(c drivers.Chunk) {
	if !t.failed.IsZero() && time.Since(t.failed) < t.retry {
		t.miss(1)
		return
	}
	if t.file != nil && t.size+int64(len(t.buf)) >= t.cfg.RecordMax/tapParts {
		t.flush()
		t.finish()
		if !t.failed.IsZero() {
			t.miss(1)
			return
		}
	}
	if t.file == nil {
		if err := t.begin(c); err != nil {
			t.fail(err)
			t.miss(1)
			return
		}
	}
	c.At -= t.base
	t.buf = drivers.AppendChunk(t.buf, c)
	t.lines++
}

func (t *tap) miss(n uint64) {
	t.missed += n
	t.dropped.Add(n)
}

func (t *tap) begin(c drivers.Chunk) error {
	if err := os.MkdirAll(t.cfg.RecordDir, 0o750); err != nil {
		return err
	}
	if err := t.prune(); err != nil {
		return err
	}
	name := t.prefix() + c.Wall.UTC().Format("20060102T150405.000000Z") + ".rec"
	f, err := os.OpenFile(filepath.Join(t.cfg.RecordDir, name), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o640)
	if err != nil {
		return err
	}
	if t.size, err = f.Seek(0, 2); err != nil {
		return errors.Join(err, f.Close())
	}
	t.file, t.base = f, c.At
	if t.size == 0 {
		about := t.cfg.About
		about.Date = c.Wall.Format(time.RFC3339)
		t.buf = drivers.AppendHeader(t.buf, &about)
	}
	if t.missed > 0 {
		t.buf = drivers.AppendChunk(t.buf, drivers.Chunk{Wall: c.Wall, Mark: fmt.Sprintf("%d chunks before this are missing", t.missed)})
	}
	return nil
}

// flush writes the batch. What was written in part is cut off again, so that a
// full disk leaves no torn line in the middle.
func (t *tap) flush() {
	if len(t.buf) == 0 {
		return
	}
	_, err := t.file.Write(t.buf)
	switch {
	case err == nil:
		t.size += int64(len(t.buf))
		t.mended()
	default:
		t.miss(t.lines)
		t.fail(errors.Join(err, t.file.Truncate(t.size)))
	}
	t.buf, t.lines = t.buf[:0], 0
}

func (t *tap) fail(err error) {
	t.faults.Add(1)
	if t.failed.IsZero() {
		t.log.Error().Err(err).Str("dir", t.cfg.RecordDir).Msg("recording stopped; reading goes on")
	}
	t.failed = time.Now()
	if t.file == nil {
		return
	}
	name := t.file.Name()
	t.closeFile()
	if t.size == 0 { // else every retry on a full disk would leave one more, and push a good recording out
		if err := os.Remove(name); err != nil {
			t.faults.Add(1)
		}
	}
}

func (t *tap) mended() {
	if t.failed.IsZero() {
		return
	}
	t.log.Info().Uint64("missed", t.missed).Msg("recording goes on")
	t.failed, t.missed = time.Time{}, 0
}

// finish syncs and closes the recording, and syncs its folder so that its name
// is safe too.
func (t *tap) finish() {
	if t.file == nil {
		return
	}
	if err := t.file.Sync(); err != nil {
		t.fail(err)
		return
	}
	t.closeFile()
	if err := syncDir(t.cfg.RecordDir); err != nil {
		t.fail(err)
	}
}

func (t *tap) closeFile() {
	if err := t.file.Close(); err != nil {
		t.faults.Add(1)
	}
	t.file = nil
}

// prune removes the oldest recordings of this port until another fits.
func (t *tap) prune() error {
	names, err := filepath.Glob(filepath.Join(globQuote(t.cfg.RecordDir), t.prefix()+"????????T??????.??????Z.rec"))
	if err != nil {
		return err
	}
	sizes, total := make([]int64, len(names)), int64(0)
	for i, name := range names {
		info, err := os.Stat(name)
		if err != nil {
			return err
		}
		sizes[i], total = info.Size(), total+info.Size()
	}
	room := t.cfg.RecordMax - t.cfg.RecordMax/tapParts - tapBatch
	for i, name := range names { // Glob sorts them, and the time in the name makes that the oldest first
		if total <= room && len(names)-i < tapFiles {
			break
		}
		if err := os.Remove(name); err != nil {
			return fmt.Errorf("make room: %w", err)
		}
		total -= sizes[i]
	}
	return nil
}

// prefix is the port's name as a file name, and a dash.
func (t *tap) prefix() string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' {
			return r
		}
		return '_'
	}, t.cfg.Name) + "-"
}

func globQuote(s string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(s)
}
