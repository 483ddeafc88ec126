package limit

import (
	"net"
	"testing"
	"time"
)

// One connection too many is closed at once; when another goes, there is room again.
func TestConnectionsAreLimited(t *testing.T) {
	own, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := Connections(3)(own)
	defer l.Close()
	in := make(chan net.Conn, 10)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				close(in)
				return
			}
			in <- c
		}
	}()
	dial := func() net.Conn {
		c, err := net.Dial("tcp", own.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		return c
	}
	var inside []net.Conn
	for range 3 {
		dial()
		inside = append(inside, <-in)
	}
	turned := dial()
	turned.SetReadDeadline(time.Now().Add(20 * time.Second))
	if _, err := turned.Read(make([]byte, 1)); err == nil || isTimeout(err) {
		t.Fatalf("one too many was not closed: %v", err)
	}
	select {
	case <-in:
		t.Fatal("one too many was let in")
	default:
	}
	inside[1].Close()
	inside[1].Close() // twice makes room once
	c := dial()
	select {
	case inside[1] = <-in:
	case <-time.After(20 * time.Second):
		t.Fatal("there was no room again")
	}
	if _, err := inside[1].Write([]byte("x")); err != nil {
		t.Error(err)
	}
	if _, err := c.Read(make([]byte, 1)); err != nil {
		t.Error(err)
	}
	if room := len(l.(*limitListener).room); room != 3 {
		t.Errorf("%d are counted, want 3", room)
	}
}

func isTimeout(err error) bool {
	e, ok := err.(net.Error)
	return ok && e.Timeout()
}
