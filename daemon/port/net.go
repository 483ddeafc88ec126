package port

import (
	"context"
	"net"
	"time"

	"fairbore/analysis"
)

// tcpLink is a line behind a device server that passes plain bytes.
type tcpLink struct {
	conn  net.Conn
	name  string
	stale time.Duration
	heard time.Time
	buf   [4096]byte
}

func dialTCP(ctx context.Context, address string, stale time.Duration) (*tcpLink, error) {
	d := net.Dialer{
		Timeout: 5 * time.Second,
		// A device server that loses power does not close the connection. The keep-alive notices
		// that after 10 + 3 × 2 s.
		KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: 10 * time.Second, Interval: 2 * time.Second, Count: 3},
	}
	conn, err := d.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, fault{analysis.Say("port.connect", err), err}
	}
	return newTCP(conn, address, stale), nil
}

func newTCP(conn net.Conn, address string, stale time.Duration) *tcpLink {
	return &tcpLink{conn: conn, name: schemeTCP + address, stale: stale, heard: time.Now()}
}

func (t *tcpLink) read(wait time.Duration, got func([]byte, bool)) error {
	n, err := readWithin(t.conn, wait, t.buf[:], analysis.Say("port.server_closed"))
	switch {
	case n > 0:
		t.heard = time.Now()
		got(t.buf[:n], false)
	case err == nil && t.stale > 0 && time.Since(t.heard) > t.stale:
		return analysis.Say("port.silent", t.stale)
	}
	return err
}

func (t *tcpLink) write(b []byte) error {
	if err := t.conn.SetWriteDeadline(time.Now().Add(writeLimit)); err != nil {
		return err
	}
	_, err := t.conn.Write(b)
	return err
}

func (t *tcpLink) close() error   { return t.conn.Close() }
func (t *tcpLink) String() string { return t.name }
