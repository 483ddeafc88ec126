package web

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

	"fairbore/analysis"
	"fairbore/analysis/notation"
)

// exporter makes one thing at a time, so that the gauges keep the machine.
type exporter struct {
	mu     sync.Mutex
	last   *exportJob
	closed bool
	all    sync.WaitGroup
}

// exportJob is something that is being made, or was.
type exportJob struct {
	id, name, kind string
	began          time.Time
	ctx            context.Context
	stop           context.CancelFunc
	unwanted       chan struct{} // closed by drop
	drop           func()
	done, total    atomic.Uint64

	mu      sync.Mutex
	state   string   // making, made, failed or stopped
	why     error    // why it is not made
	text    string   // its beginning, of what a person reads at once
	file    *os.File // once it is made; nil when it was thrown away
	size    int64
	readers sync.WaitGroup // of the file
}

// States of an export job.
const (
	underWay = "making"
	made     = "made"
	failed   = "failed"
	stopped  = "stopped"
)

const (
	keptFor = 15 * time.Minute // what was made, for who comes to fetch it
	shown   = 4 << 10          // bytes of what is shown at once
)

// progress is an export job as it is told to the page.
type progress struct {
	ID    string `json:"id"`
	State string `json:"state"`
	Done  uint64 `json:"done"`
	Total uint64 `json:"total"` // 0: nobody knows
	Name  string `json:"name"`
	Size  int64  `json:"size,omitempty"` // bytes
	Why   string `json:"why,omitempty"`
	Text  string `json:"text,omitempty"`
}

// told says how far it is, in a viewer's language.
func (j *exportJob) told(f notation.Format) progress {
	j.mu.Lock()
	defer j.mu.Unlock()
	p := progress{ID: j.id, State: j.state, Done: j.done.Load(), Total: j.total.Load(), Name: j.name, Size: j.size, Text: j.text}
	if j.why != nil {
		p.Why = f.Error(j.why)
	}
	return p
}

// is returns the state.
func (j *exportJob) is() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.state
}

func (e *exporter) newest() *exportJob {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.last
}

// begin begins to make what is wanted, in place of what was made before.
func (s *Server) begin(want Wanted) (*exportJob, error) {
	e := &s.exporter
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.closed {
		return nil, analysis.Say("page.order.ending")
	}
	if j := e.last; j != nil {
		if j.is() == underWay {
			return nil, analysis.Say("page.order.busy", j.name, j.began.Format("15:04:05"))
		}
		j.drop()
	}
	j := &exportJob{id: rand.Text(), began: time.Now(), unwanted: make(chan struct{}), state: underWay}
	j.name, j.kind = want.file()
	j.ctx, j.stop = context.WithCancel(context.Background())
	j.drop = sync.OnceFunc(func() {
		j.stop()
		close(j.unwanted)
	})
	e.last = j
	e.all.Go(func() { s.make(j, want) })
	return j, nil
}

// close stops what is being made, throws away what was, and waits for that.
func (e *exporter) close() {
	e.mu.Lock()
	e.closed = true
	if e.last != nil {
		e.last.drop()
	}
	e.mu.Unlock()
	e.all.Wait()
}

// make makes it, keeps it for a while, and leaves nothing behind.
func (s *Server) make(j *exportJob, want Wanted) {
	f, err := os.CreateTemp(s.cfg.Spool, "fairbore-*")
	if err == nil {
		defer os.Remove(f.Name()) // where an open file can't be removed
		_ = os.Remove(f.Name())   // a crash leaves nothing
		defer f.Close()
		err = s.write(j, want, f)
	}
	j.ended(err, f, want.What == "verify")
	if err != nil && j.ctx.Err() == nil {
		s.log.Warn().Err(err).Str("what", want.What).Msg("not made for the page")
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

// write makes it into a file. A fault in making it is no reason to end the gauging.
func (s *Server) write(j *exportJob, want Wanted, f *os.File) (err error) {
	defer func() {
		if p := recover(); p != nil {
			s.log.Error().Any("fault", p).Str("what", want.What).Msg("could not be made")
			err = analysis.Say("page.order.failed")
		}
	}()
	out := bufio.NewWriterSize(until{j.ctx, f}, 64<<10)
	err = s.cfg.Records.Make(j.ctx, out, want, func(done, total uint64) {
		j.total.Store(total)
		j.done.Store(done)
	})
	return errors.Join(err, out.Flush())
}

// until writes until a context ends.
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

// ended notes what came of it. What a person reads at once is told with it, also
// where it ends badly.
func (j *exportJob) ended(err error, f *os.File, read bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	switch {
	case j.ctx.Err() != nil:
		j.state = stopped
		return
	case errors.Is(err, syscall.ENOSPC):
		j.state, j.why = failed, analysis.Say("page.order.full")
		return
	case err != nil:
		j.state, j.why = failed, err
	default:
		j.state, j.file = made, f
		j.size, _ = f.Seek(0, io.SeekEnd) // our own file, just written
	}
	if read && f != nil {
		text := make([]byte, shown)
		n, _ := f.ReadAt(text, 0) // the end of the file is an error
		j.text = string(text[:n])
	}
}

// open returns what was made, nil if it isn't there; done gives it back.
func (j *exportJob) open() (content io.ReadSeeker, done func()) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.file == nil {
		return nil, nil
	}
	j.readers.Add(1)
	return io.NewSectionReader(j.file, 0, j.size), j.readers.Done
}
