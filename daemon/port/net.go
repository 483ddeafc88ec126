package port

import (
	"bytes"
	"context"
	"net"
	"slices"
	"time"
	"unicode"

	"fairbore/analysis"
)

// tcpLink is a line behind a device server that passes plain bytes.
type tcpLink struct {
	conn  net.Conn
	name  string
	stale time.Duration
	heard time.Time
	since time.Time // when it was opened
	first []byte    // the first bytes from the server, at most mostFirst
	buf   [4096]byte
}

// A device server that refuses a connection says why in a line of text, such as "Port already in
// use", and closes the connection at once. What comes before the connection is closed within
// refusedWithin, in the first mostFirst bytes, is looked at for such a line.
const (
	refusedWithin = 2 * time.Second
	mostFirst     = 256
)

// sentence returns the words of a person's language in bytes, such as "Port already in use". It
// returns "" if there are none. A value with its unit is no sentence.
func sentence(b []byte) string {
	for _, run := range bytes.FieldsFunc(b, func(r rune) bool { return r < ' ' || r > '~' }) {
		run = bytes.TrimLeftFunc(run, func(r rune) bool { return !unicode.IsLetter(r) })
		if words := bytes.Fields(run); len(words) > 1 && slices.ContainsFunc(words, func(w []byte) bool { return len(w) > 3 && letters(w) }) {
			return string(run)
		}
	}
	return ""
}

func letters(word []byte) bool {
	return !bytes.ContainsFunc(word, func(r rune) bool { return !unicode.IsLetter(r) })
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
	return &tcpLink{conn: conn, name: schemeTCP + address, stale: stale, heard: time.Now(), since: time.Now()}
}

func (t *tcpLink) read(wait time.Duration, got func([]byte, bool)) error {
	n, err := readWithin(t.conn, wait, t.buf[:], analysis.Say("port.server_closed"))
	switch {
	case n > 0:
		t.heard = time.Now()
		t.first = append(t.first, t.buf[:min(n, mostFirst-len(t.first))]...)
		got(t.buf[:n], false)
	case err != nil:
		return t.refused(err)
	case t.stale > 0 && time.Since(t.heard) > t.stale:
		return analysis.Say("port.silent", t.stale)
	}
	return err
}

// refused returns an error of the connection together with what the server said, if it refused us.
func (t *tcpLink) refused(err error) error {
	text := sentence(t.first)
	if text == "" || time.Since(t.since) > refusedWithin {
		return err
	}
	return fault{analysis.Say(ServerSaid, text), err}
}

func (t *tcpLink) write(b []byte) error {
	if err := t.conn.SetWriteDeadline(time.Now().Add(writeLimit)); err != nil {
		return err
	}
	if _, err := t.conn.Write(b); err != nil {
		return t.refused(err)
	}
	return nil
}

func (t *tcpLink) close() error   { return t.conn.Close() }
func (t *tcpLink) String() string { return t.name }
