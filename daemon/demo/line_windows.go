package demo

import (
	"io"
	"net"
	"sync"
)

// openLine opens a network line on this machine, since Windows has no pseudo-terminals.
func openLine() (io.WriteCloser, string, error) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, "", err
	}
	l := &tcpLine{ln: ln, conn: make(chan net.Conn, 1)}
	go l.accept()
	return l, "tcp://" + ln.Addr().String(), nil
}

type tcpLine struct {
	ln   net.Listener
	conn chan net.Conn
	once sync.Once
	c    net.Conn
}

// accept returns when the daemon has connected or the line is closed.
func (l *tcpLine) accept() {
	defer close(l.conn)
	if c, err := l.ln.Accept(); err == nil {
		l.conn <- c
	}
}

func (l *tcpLine) Write(b []byte) (int, error) {
	l.once.Do(func() { l.c = <-l.conn })
	if l.c == nil {
		return 0, net.ErrClosed
	}
	return l.c.Write(b)
}

func (l *tcpLine) Close() error {
	err := l.ln.Close()
	l.once.Do(func() { l.c = <-l.conn })
	if l.c != nil {
		err = l.c.Close()
	}
	return err
}
