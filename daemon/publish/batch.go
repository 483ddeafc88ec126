package publish

import (
	"bufio"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// batchMost is how many bytes of held packets go to the network at once.
const batchMost = 32 << 10

// batch is a connection that can hold packets back, so that many leave in one
// write. The library writes each by itself, which at full speed costs more than
// making it; only who hands the packets over knows that more follow at once.
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

// gathering is how long acknowledgements are left to gather while many are
// awaited: a broker sends each by itself, and to be woken for each costs more
// than all else that is done for a record.
const gathering = time.Millisecond

// buffered reads ahead: the library reads a packet byte by byte at first, and
// many acknowledgements come at once, or are made to.
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

// SetWriteDeadline implements net.Conn. The library sets it from a goroutine of its
// own, and a WebSocket keeps it in a plain variable.
func (b *batch) SetWriteDeadline(t time.Time) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.deadline = t
	return b.Conn.SetWriteDeadline(t)
}

// Write implements net.Conn. An error of bytes held before is that of this write.
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

// hold keeps what is written from now on back, until release.
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
