package port

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"fairbore/drivers"
)

const (
	recorderQueue  = 256              // chunks that may wait for the disk
	recorderBatch  = 32 << 10         // a batch of this many bytes is written at once
	recordings     = 8                // number of full recordings that fit into Config.RecordMax
	recordingsMost = 64               // most recordings, even if they are short
	recorderRetry  = 10 * time.Second // pause after a fault of the disk
	recorderStop   = 2 * time.Second  // longest time that a stop waits for the disk
	recorderSync   = 10 * time.Second // longest time that an entry is not yet synced
	sameTime       = 64               // most recordings that may begin in the same microsecond
)

// recorder records all traffic of a port in files. Its own goroutine writes the files. Chunks that
// the disk can't take are dropped and counted, so a slow or full disk never delays a reading.
//
// Data is only appended to a recording. It is synced every recorderSync while something comes, when
// it is full and at the end, each time after a line with the sum of all entries. So after a power cut
// everything up to the last sum but one is there. Of the rest the disk may have kept any part, so a
// torn line, zeros or rubbish may stand there. [drivers.ParseRecording] tells them.
//
// The recorder removes the oldest recordings, so that all of them together stay within
// Config.RecordMax. It never writes through a symbolic link.
type recorder struct {
	cfg     Config
	log     zerolog.Logger
	retry   time.Duration // pause after a fault of the disk
	queue   chan drivers.Entry
	quit    chan struct{} // closed: write the queue and end
	done    chan struct{}
	dropped atomic.Uint64
	faults  atomic.Uint64

	// Only the recorder's goroutine uses the fields below.
	file   *os.File
	size   int64         // bytes of whole lines in the file
	base   time.Duration // the times in the file count from this time
	buf    []byte        // the batch that is to be written
	lines  uint64        // entries in buf
	sum    drivers.Sum   // of the entries in the file and in buf
	open   bool          // there are entries after the last sum
	due    *time.Timer   // fires when these must be synced
	failed time.Time     // when the disk last failed; zero: the disk works
	missed uint64        // chunks dropped since the disk failed
}

func newRecorder(c Config, log zerolog.Logger) *recorder {
	return &recorder{cfg: c, log: log, retry: recorderRetry}
}

func (r *recorder) start() {
	r.queue, r.quit, r.done = make(chan drivers.Entry, recorderQueue), make(chan struct{}), make(chan struct{})
	go r.run()
}

// stop ends the recorder. It waits until the queue is written, at most for recorderStop.
func (r *recorder) stop() {
	close(r.quit)
	limit := time.NewTimer(recorderStop)
	defer limit.Stop()
	select {
	case <-r.done:
	case <-limit.C:
		r.log.Error().Msg("the disk does not take the end of the recording")
	}
}

func (r *recorder) put(c drivers.Entry) {
	select {
	case r.queue <- c:
	default:
		r.dropped.Add(1)
	}
}

// chunk records a chunk that came from the line.
func (r *recorder) chunk(c Chunk) {
	switch c.Kind {
	case Data:
		r.put(drivers.Entry{At: c.At.Mono, Wall: c.At.Wall, Data: append([]byte(nil), c.Data...)})
	case Idle:
		r.remark(c.At, markIdle)
	case LineError:
		r.remark(c.At, markLineError)
	case LineState:
		r.remark(c.At, markLines+c.Lines.String())
	case Up:
		r.remark(c.At, markBecause+c.Name)
		r.remark(c.At, drivers.MarkOpened)
	case Lost:
		r.remark(c.At, because(c.Why))
		r.remark(c.At, drivers.MarkLost)
	}
}

func (r *recorder) remark(at drivers.Moment, mark string) {
	r.put(drivers.Entry{At: at.Mono, Wall: at.Wall, Mark: mark})
}

// sent records data that was written to the gauge.
func (r *recorder) sent(at drivers.Moment, data []byte) {
	r.put(drivers.Entry{At: at.Mono, Wall: at.Wall, Out: true, Data: data})
}

func (r *recorder) run() {
	defer close(r.done)
	r.due = time.NewTimer(recorderSync)
	defer r.due.Stop()
	for {
		select {
		case c := <-r.queue:
			r.add(c)
			r.drain()
		case <-r.due.C:
			r.sync()
		case <-r.quit:
			r.drain()
			r.finish()
			return
		}
	}
}

// drain writes all entries in the queue.
func (r *recorder) drain() {
	for {
		select {
		case c := <-r.queue:
			if r.add(c); len(r.buf) >= recorderBatch {
				r.flush()
			}
		default:
			r.flush()
			return
		}
	}
}

// add adds an entry to the batch. It opens a new recording first if that is needed.
func (r *recorder) add(c drivers.Entry) {
	if !r.failed.IsZero() && time.Since(r.failed) < r.retry {
		r.miss(1)
		return
	}
	if r.file != nil && r.size+int64(len(r.buf)) >= r.cfg.RecordMax/recordings {
		r.flush()
		r.finish()
		if !r.failed.IsZero() {
			r.miss(1)
			return
		}
	}
	if r.file == nil {
		if err := r.begin(c); err != nil {
			r.fail(err)
			r.miss(1)
			return
		}
	}
	c.At -= r.base
	r.entry(c)
	r.lines++
}

// entry adds the line of an entry to the batch.
func (r *recorder) entry(c drivers.Entry) {
	from := len(r.buf)
	r.buf = drivers.AppendEntry(r.buf, c)
	r.sum = r.sum.Add(r.buf[from:])
	if !r.open {
		r.open = true
		r.due.Reset(recorderSync)
	}
}

func (r *recorder) miss(n uint64) {
	r.missed += n
	r.dropped.Add(n)
}

func (r *recorder) begin(c drivers.Entry) error {
	if err := os.MkdirAll(r.cfg.RecordDir, 0o750); err != nil {
		return err
	}
	if err := r.prune(); err != nil {
		return err
	}
	f, err := r.create(c.Wall)
	if err != nil {
		return err
	}
	r.file, r.base, r.size, r.sum, r.open = f, c.At, 0, 0, false
	about := r.cfg.About
	about.Date = c.Wall.Format(time.RFC3339)
	r.buf = drivers.AppendHeader(r.buf, &about)
	if r.missed > 0 {
		r.entry(drivers.Entry{Wall: c.Wall, Mark: fmt.Sprintf("%d chunks before this are missing", r.missed)})
	}
	return nil
}

// create creates the file of a recording that begins at a time. If there is a file with that time
// in its name, or a link, the name has a time a little later.
func (r *recorder) create(at time.Time) (f *os.File, err error) {
	for range sameTime {
		name := r.prefix() + at.UTC().Format("20060102T150405.000000Z") + ".rec"
		f, err = os.OpenFile(filepath.Join(r.cfg.RecordDir, name), os.O_WRONLY|os.O_CREATE|os.O_EXCL|os.O_APPEND, 0o640)
		if !errors.Is(err, fs.ErrExist) {
			break
		}
		at = at.Add(time.Microsecond)
	}
	return f, err
}

// flush writes the batch. If only a part of the batch is written, flush cuts that part off again,
// so that a full disk leaves no torn line in the middle.
func (r *recorder) flush() {
	if len(r.buf) == 0 {
		return
	}
	_, err := r.file.Write(r.buf)
	switch {
	case err == nil:
		r.size += int64(len(r.buf))
		r.mended()
	default:
		r.miss(r.lines)
		r.fail(errors.Join(err, r.file.Truncate(r.size)))
	}
	r.buf, r.lines = r.buf[:0], 0
}

func (r *recorder) fail(err error) {
	r.faults.Add(1)
	if r.failed.IsZero() {
		r.log.Error().Err(err).Str("dir", r.cfg.RecordDir).Msg("recording stopped; reading goes on")
	}
	r.failed = time.Now()
	if r.file == nil {
		return
	}
	name := r.file.Name()
	r.closeFile()
	// An empty recording is removed. Otherwise each retry on a full disk would leave an empty
	// recording, and prune would remove a good recording to make room for it.
	if r.size == 0 {
		if err := os.Remove(name); err != nil {
			r.faults.Add(1)
		}
	}
}

func (r *recorder) mended() {
	if r.failed.IsZero() {
		return
	}
	r.log.Info().Uint64("missed", r.missed).Msg("recording goes on")
	r.failed, r.missed = time.Time{}, 0
}

// sync writes the sum of the entries and syncs the recording. It also syncs the folder, so that a
// power cut does not lose the name of the recording.
func (r *recorder) sync() {
	if r.file == nil || !r.open {
		return
	}
	r.buf = drivers.AppendCheck(r.buf, r.sum)
	r.open = false
	if r.flush(); r.file == nil {
		return
	}
	if err := errors.Join(r.file.Sync(), syncDir(r.cfg.RecordDir)); err != nil {
		r.fail(err)
	}
}

// finish syncs and closes the recording.
func (r *recorder) finish() {
	if r.sync(); r.file != nil {
		r.closeFile()
	}
}

func (r *recorder) closeFile() {
	if err := r.file.Close(); err != nil {
		r.faults.Add(1)
	}
	r.file = nil
}

// prune removes the oldest recordings of this port until there is room for a new one.
func (r *recorder) prune() error {
	names, err := filepath.Glob(filepath.Join(globQuote(r.cfg.RecordDir), r.prefix()+"????????T??????.??????Z.rec"))
	if err != nil {
		return err
	}
	sizes, total := make([]int64, len(names)), int64(0)
	for i, name := range names {
		info, err := os.Lstat(name)
		if err != nil {
			return err
		}
		sizes[i], total = info.Size(), total+info.Size()
	}
	room := r.cfg.RecordMax - r.cfg.RecordMax/recordings - recorderBatch
	// Glob sorts the names. Each name has a time in it, so the oldest recording comes first.
	for i, name := range names {
		if total <= room && len(names)-i < recordingsMost {
			break
		}
		if err := os.Remove(name); err != nil {
			return fmt.Errorf("make room: %w", err)
		}
		total -= sizes[i]
	}
	return nil
}

// prefix returns the port's name, made safe for a file name, and a dash.
func (r *recorder) prefix() string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' {
			return r
		}
		return '_'
	}, r.cfg.Name) + "-"
}

func globQuote(s string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(s)
}
