package export

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/rs/zerolog"

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

// Exporter makes one file at a time. Its methods may be called from any goroutine.
type Exporter struct {
	maker  Maker
	spool  string
	log    zerolog.Logger
	mu     sync.Mutex
	last   *Job
	closed bool
	all    sync.WaitGroup
}

// New returns an exporter that uses makes to make files, and keeps them in the folder spool; "" is
// the system's folder for temporary files. It must be closed.
func New(makes Maker, spool string, log zerolog.Logger) *Exporter {
	return &Exporter{maker: makes, spool: spool, log: log}
}

// Job is something that is being made, or was made.
type Job struct {
	ID, Name, Kind string // name and media type of its file
	began          time.Time
	ctx            context.Context
	stop           context.CancelFunc
	unwanted       chan struct{} // closed by drop
	ready          chan struct{} // closed once it is made, or is not
	drop           func()
	done, total    atomic.Uint64

	mu      sync.Mutex
	state   string   // making, made, failed or stopped
	why     error    // why it failed
	text    string   // the beginning of the file, for a file that is shown at once
	file    *os.File // nil until it is made, and after it was thrown away
	size    int64
	readers sync.WaitGroup // of the file
}

// The states of a job.
const (
	UnderWay = "making"
	Made     = "made"
	Failed   = "failed"
	Stopped  = "stopped"
)

const (
	keptFor = 15 * time.Minute // how long a file is kept to be fetched
	shown   = 4 << 10          // bytes of the text that is shown at once
)

// Progress is the state of a job as the page gets it.
type Progress struct {
	ID    string `json:"id"`
	State string `json:"state"`
	Done  uint64 `json:"done"`
	Total uint64 `json:"total"` // 0: not known
	Name  string `json:"name"`
	Size  int64  `json:"size,omitempty"` // bytes
	Why   string `json:"why,omitempty"`
	Text  string `json:"text,omitempty"`
}

// Told returns the progress in a viewer's language.
func (j *Job) Told(f notation.Format) Progress {
	j.mu.Lock()
	defer j.mu.Unlock()
	p := Progress{ID: j.ID, State: j.state, Done: j.done.Load(), Total: j.total.Load(), Name: j.Name, Size: j.size, Text: j.text}
	if j.why != nil {
		p.Why = f.Error(j.why)
	}
	return p
}

// Wait waits until the file is made, and says why it is not.
func (j *Job) Wait(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-j.ready:
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.state == Stopped {
		return analysis.Say("page.order.gone")
	}
	return j.why
}

// Drop stops the job, or throws away its file.
func (j *Job) Drop() { j.drop() }

// is returns the state.
func (j *Job) is() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.state
}

// Newest returns the job in progress, or else the last one; nil if there was none.
func (e *Exporter) Newest() *Job {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.last
}

// Begin starts to make what is wanted, and drops what was made before. Its error is for a person to
// read.
func (e *Exporter) Begin(want Wanted) (*Job, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.closed {
		return nil, analysis.Say("page.order.ending")
	}
	if j := e.last; j != nil {
		if j.is() == UnderWay {
			return nil, analysis.Say("page.order.busy", j.Name, j.began.Format("15:04:05"))
		}
		j.drop()
	}
	j := &Job{ID: rand.Text(), began: time.Now(), unwanted: make(chan struct{}), ready: make(chan struct{}), state: UnderWay}
	j.Name, j.Kind = want.file()
	j.ctx, j.stop = context.WithCancel(context.Background())
	j.drop = sync.OnceFunc(func() {
		j.stop()
		close(j.unwanted)
	})
	e.last = j
	e.all.Go(func() { e.make(j, want) })
	return j, nil
}

// Close stops the job in progress, throws away its file, and waits for that.
func (e *Exporter) Close() {
	e.mu.Lock()
	e.closed = true
	if e.last != nil {
		e.last.drop()
	}
	e.mu.Unlock()
	e.all.Wait()
}

// make makes the file, keeps it for a while, and then removes it.
func (e *Exporter) make(j *Job, want Wanted) {
	f, err := os.CreateTemp(e.spool, "fairbore-*")
	if err == nil {
		defer os.Remove(f.Name()) // for systems where an open file can't be removed
		_ = os.Remove(f.Name())   // so that a crash leaves no file
		defer f.Close()
		err = e.write(j, want, f)
	}
	j.ended(err, f, want.What == "verify")
	close(j.ready)
	if err != nil && j.ctx.Err() == nil {
		e.log.Warn().Str("error", notation.Format{}.Error(err)).Str("what", want.What).Msg("not made for the page")
	}
	kept := time.NewTimer(keptFor)
	defer kept.Stop()
	select {
	case <-j.unwanted:
	case <-kept.C:
	}
	j.stop()
	j.mu.Lock()
	j.file = nil
	j.mu.Unlock()
	j.readers.Wait()
}

// write writes the file. A panic in it must not stop the gauging.
func (e *Exporter) write(j *Job, want Wanted, f *os.File) (err error) {
	defer func() {
		if p := recover(); p != nil {
			e.log.Error().Any("fault", p).Str("what", want.What).Msg("could not be made")
			err = analysis.Say("page.order.failed")
		}
	}()
	out := bufio.NewWriterSize(until{j.ctx, f}, 64<<10)
	err = e.maker.Make(j.ctx, out, want, func(done, total uint64) {
		j.total.Store(total)
		j.done.Store(done)
	})
	if flushed := out.Flush(); err == nil {
		err = flushed
	}
	return err
}

// until is a writer that fails once a context has ended.
type until struct {
	ctx context.Context
	io.Writer
}

func (u until) Write(p []byte) (int, error) {
	if err := u.ctx.Err(); err != nil {
		return 0, err
	}
	return u.Writer.Write(p)
}

// ended notes the result, with the beginning of the text that is shown at once, even if it failed.
func (j *Job) ended(err error, f *os.File, read bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	switch {
	case j.ctx.Err() != nil:
		j.state = Stopped
		return
	case errors.Is(err, syscall.ENOSPC):
		j.state, j.why = Failed, analysis.Say("page.order.full")
		return
	case err != nil:
		j.state, j.why = Failed, err
	default:
		j.state, j.file = Made, f
		j.size, _ = f.Seek(0, io.SeekEnd) // it is our own file, just written
	}
	if read && f != nil {
		text := make([]byte, shown)
		n, _ := f.ReadAt(text, 0) // the end of the file is an error
		j.text = string(text[:n])
	}
}

// Open returns the file, nil if there is none. Call done after use.
func (j *Job) Open() (content io.ReadSeeker, done func()) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.file == nil {
		return nil, nil
	}
	j.readers.Add(1)
	return io.NewSectionReader(j.file, 0, j.size), j.readers.Done
}
