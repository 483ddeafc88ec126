package port

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"fairbore/analysis"
)

// maxWrite is the size of the longest command. A command of this size fits in any kernel buffer.
const maxWrite = 1024

// openLine is an open link with its writer goroutine.
type openLine struct {
	link   link
	queue  chan request
	quit   chan struct{} // the owner closes it to stop the writer
	ended  chan struct{} // the writer closes it when it does not use the link any more
	fault  chan error    // receives the error of a failed write
	busyAt atomic.Int64  // start of the present write in ns of Mono; 0: none
}

type request struct {
	ctx  context.Context
	data []byte
	done chan error // room for one
}

// Write sends a command and returns when the system has taken it. It fails with [ErrDown] while the
// line is down. A command is never kept for later, since the gauge would then get it unexpectedly.
// If a write fails or takes longer than about a second, the port closes the line and opens it
// again. A recording drops every command and reports no error.
func (p *Port) Write(ctx context.Context, b []byte) error {
	if len(b) > maxWrite {
		return fmt.Errorf("port %s: write: %d bytes is out of range: give at most %d", p.cfg.Name, len(b), maxWrite)
	}
	if scheme, _ := p.cfg.split(); scheme == schemeRecording {
		return nil
	}
	p.mu.Lock()
	s := p.current
	p.mu.Unlock()
	err := ErrDown
	if s != nil {
		err = s.write(ctx, b)
	}
	if err != nil {
		return fmt.Errorf("port %s: write: %w", p.cfg.Name, err)
	}
	return nil
}

func (s *openLine) write(ctx context.Context, b []byte) error {
	r := request{ctx: ctx, data: append([]byte(nil), b...), done: make(chan error, 1)}
	select {
	case s.queue <- r:
	case <-s.quit:
		return ErrDown
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-r.done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	case <-s.quit:
	}
	select { // the write may have ended before the line went down
	case err := <-r.done:
		return err
	default:
		return ErrDown
	}
}

// begin makes l the current link of the port and starts its writer.
func (p *Port) begin(l link) *openLine {
	s := &openLine{link: l, queue: make(chan request, 4), quit: make(chan struct{}), ended: make(chan struct{}), fault: make(chan error, 1)}
	go p.writer(s)
	p.mu.Lock()
	p.current = s
	p.mu.Unlock()
	return s
}

func (p *Port) writer(s *openLine) {
	defer close(s.ended)
	for {
		select {
		case <-s.quit:
			return
		case r := <-s.queue:
			if s.stopped() || r.ctx.Err() != nil {
				r.done <- ErrDown
				continue
			}
			s.busyAt.Store(max(int64(p.now().Mono), 1))
			err := s.link.write(r.data)
			s.busyAt.Store(0)
			if err == nil {
				p.count.written.Add(uint64(len(r.data)))
				// A write that was stuck until after the stop is not recorded, since the recorder
				// may have ended.
				if p.recorder != nil && !s.stopped() {
					p.recorder.sent(p.now(), r.data)
				}
			} else {
				p.count.writeFaults.Add(1)
			}
			r.done <- err
			if err != nil {
				s.fault <- fault{analysis.Say("port.write", reason(err)), err}
				return
			}
		}
	}
}

func (s *openLine) stopped() bool {
	select {
	case <-s.quit:
		return true
	default:
		return false
	}
}

// failed returns an error if a write failed or takes too long. A link limits its writes to
// writeLimit itself where it can. The extra quarter gives the link time to report its own error.
func (s *openLine) failed(now time.Duration) error {
	select {
	case err := <-s.fault:
		return err
	default:
	}
	if t := s.busyAt.Load(); t != 0 && now-time.Duration(t) > writeLimit+writeLimit/4 {
		return analysis.Say("port.write", analysis.Say("port.not_taken", writeLimit))
	}
	return nil
}
