package publish

import (
	"bufio"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// batchMost is how many bytes of held packets are written to the network at once.
const batchMost = 32 << 10

// batch is a connection that can hold packets back, so that many are sent in one write. The library
// writes each packet by itself, which at full speed costs more than making it; only the caller
// knows that more packets follow at once.
type batch struct {
	net.Conn
	limit time.Duration // for a write
	many  atomic.Bool   // acknowledgements are awaited

	mu       sync.Mutex
	held     bool
	buf      []byte
	deadline time.Time // for a write, as the library set it last
}

// wrap takes the connection that the packets go to.
func (b *batch) wrap(c net.Conn) net.Conn {
	b.Conn = &buffered{c, bufio.NewReader(c), &b.many}
	return b
}

// gather implements carrier.
func (b *batch) gather(many bool) { b.many.Store(many) }

// gathering is how long acknowledgements may gather while many are awaited. A broker sends each by
// itself, and waking up for each one costs more than everything else that is done for a record.
const gathering = time.Millisecond

// buffered reads ahead. The library reads the head of a packet byte by byte, and many
// acknowledgements come together.
type buffered struct {
	net.Conn
	in   *bufio.Reader
	many *atomic.Bool
}

// Read implements net.Conn.
func (b *buffered) Read(p []byte) (int, error) {
	if b.in.Buffered() == 0 && b.many.Load() {
		time.Sleep(gathering)
	}
	return b.in.Read(p)
}

// SetWriteDeadline implements net.Conn. The library calls it from a goroutine of its own, and a
// WebSocket keeps the deadline in an unprotected variable.
func (b *batch) SetWriteDeadline(t time.Time) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.deadline = t
	return b.Conn.SetWriteDeadline(t)
}

// Write implements net.Conn. It also returns the error of bytes held earlier.
func (b *batch) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.held && len(b.buf) == 0 {
		return b.Conn.Write(p)
	}
	b.buf = append(b.buf, p...)
	if b.held && len(b.buf) < batchMost {
		return len(p), nil
	}
	return len(p), b.flush()
}

// hold holds back what is written from now on, until release.
func (b *batch) hold() {
	b.mu.Lock()
	b.held = true
	b.mu.Unlock()
}

// release writes what was held.
func (b *batch) release() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.held = false
	if len(b.buf) == 0 {
		return nil
	}
	if err := b.Conn.SetWriteDeadline(time.Now().Add(b.limit)); err != nil {
		return err
	}
	err := b.flush()
	if err == nil {
		err = b.Conn.SetWriteDeadline(b.deadline)
	}
	return err
}

func (b *batch) flush() error {
	_, err := b.Conn.Write(b.buf)
	b.buf = b.buf[:0]
	return err
}
