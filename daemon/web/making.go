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

// desk makes one thing at a time, so that the gauges keep the machine.
type desk struct {
	mu     sync.Mutex
	last   *making
	closed bool
	all    sync.WaitGroup
}

// making is something that is being made, or was.
type making struct {
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

// States of a making.
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

// progress is a making as it is told to the page.
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
func (m *making) told(f notation.Format) progress {
	m.mu.Lock()
	defer m.mu.Unlock()
	p := progress{ID: m.id, State: m.state, Done: m.done.Load(), Total: m.total.Load(), Name: m.name, Size: m.size, Text: m.text}
	if m.why != nil {
		p.Why = f.Error(m.why)
	}
	return p
}

// is returns the state.
func (m *making) is() string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.state
}

func (d *desk) newest() *making {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.last
}

// begin begins to make what is wanted, in place of what was made before.
func (s *Server) begin(want Wanted) (*making, error) {
	d := &s.desk
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil, analysis.Say("page.order.ending")
	}
	if m := d.last; m != nil {
		if m.is() == underWay {
			return nil, analysis.Say("page.order.busy", m.name, m.began.Format("15:04:05"))
		}
		m.drop()
	}
	m := &making{id: rand.Text(), began: time.Now(), unwanted: make(chan struct{}), state: underWay}
	m.name, m.kind = want.file()
	m.ctx, m.stop = context.WithCancel(context.Background())
	m.drop = sync.OnceFunc(func() {
		m.stop()
		close(m.unwanted)
	})
	d.last = m
	d.all.Go(func() { s.make(m, want) })
	return m, nil
}

// close stops what is being made, throws away what was, and waits for that.
func (d *desk) close() {
	d.mu.Lock()
	d.closed = true
	if d.last != nil {
		d.last.drop()
	}
	d.mu.Unlock()
	d.all.Wait()
}

// make makes it, keeps it for a while, and leaves nothing behind.
func (s *Server) make(m *making, want Wanted) {
	f, err := os.CreateTemp(s.cfg.Spool, "fairbore-*")
	if err == nil {
		defer os.Remove(f.Name()) // where an open file can't be removed
		_ = os.Remove(f.Name())   // a crash leaves nothing
		defer f.Close()
		err = s.write(m, want, f)
	}
	m.ended(err, f, want.What == "verify")
	if err != nil && m.ctx.Err() == nil {
		s.log.Warn().Err(err).Str("what", want.What).Msg("not made for the page")
	}
	kept := time.NewTimer(keptFor)
	defer kept.Stop()
	select {
	case <-m.unwanted:
	case <-kept.C:
	}
	m.stop()
	m.mu.Lock()
	m.file = nil
	m.mu.Unlock()
	m.readers.Wait()
}

// write makes it into a file. A fault in making it is no reason to end the gauging.
func (s *Server) write(m *making, want Wanted, f *os.File) (err error) {
	defer func() {
		if p := recover(); p != nil {
			s.log.Error().Any("fault", p).Str("what", want.What).Msg("could not be made")
			err = analysis.Say("page.order.failed")
		}
	}()
	out := bufio.NewWriterSize(until{m.ctx, f}, 64<<10)
	err = s.cfg.Records.Make(m.ctx, out, want, func(done, total uint64) {
		m.total.Store(total)
		m.done.Store(done)
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
func (m *making) ended(err error, f *os.File, read bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	switch {
	case m.ctx.Err() != nil:
		m.state = stopped
		return
	case errors.Is(err, syscall.ENOSPC):
		m.state, m.why = failed, analysis.Say("page.order.full")
		return
	case err != nil:
		m.state, m.why = failed, err
	default:
		m.state, m.file = made, f
		m.size, _ = f.Seek(0, io.SeekEnd) // our own file, just written
	}
	if read && f != nil {
		text := make([]byte, shown)
		n, _ := f.ReadAt(text, 0) // the end of the file is an error
		m.text = string(text[:n])
	}
}

// open returns what was made, nil if it isn't there; done gives it back.
func (m *making) open() (content io.ReadSeeker, done func()) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.file == nil {
		return nil, nil
	}
	m.readers.Add(1)
	return io.NewSectionReader(m.file, 0, m.size), m.readers.Done
}
