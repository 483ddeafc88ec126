package limit

import (
	"net"
	"net/netip"
	"testing"
	"time"
)

// One connection too many is closed at once; when another goes, there is room again.
func TestConnectionsAreLimited(t *testing.T) {
	own, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := NewPlaces(3, 3, nil, nil).Bound(own)
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
	if p := l.(*placesListener).places; p.taken != 3 || p.Refused() != 1 {
		t.Errorf("%d are counted and %d refused, want 3 and 1", p.taken, p.Refused())
	}
}

// An address has a bound of its own, so that it leaves room for others; a proxy has none. All
// addresses of an IPv6 /64 are one.
func TestAddressIsBounded(t *testing.T) {
	proxies := []netip.Prefix{netip.MustParsePrefix("10.0.0.0/24")}
	p := NewPlaces(8, 2, proxies, nil)
	var leave []func()
	take := func(from string, want bool) {
		t.Helper()
		l, ok := p.Take(netip.MustParseAddr(from))
		if ok != want {
			t.Errorf("a place for %s: %t, want %t", from, ok, want)
		}
		if ok {
			leave = append(leave, l)
		}
	}
	take("192.0.2.1", true)
	take("::ffff:192.0.2.1", true)
	take("192.0.2.1", false)
	take("2001:db8::1", true)
	take("2001:db8::2:0:0:1", true)
	take("2001:db8::3", false)
	take("2001:db8:0:1::3", true)
	for range 3 {
		take("10.0.0.7", true)
	}
	take("10.0.0.7", false) // the bound of all
	for _, l := range leave {
		l()
	}
	if p.taken != 0 || len(p.by) != 0 {
		t.Errorf("%d places are taken by %d addresses after all have left", p.taken, len(p.by))
	}
}

func isTimeout(err error) bool {
	e, ok := err.(net.Error)
	return ok && e.Timeout()
}

// Eight addresses that hold all places, and take them again as they lose them, don't keep another
// address out, which keeps what it has.
func TestAFewAddressesKeepNobodyOut(t *testing.T) {
	const hostile, each = 8, 8
	own, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := NewPlaces(hostile*each, each, nil, nil).Bound(own)
	defer l.Close()
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() { // it answers each byte
				defer c.Close()
				for b := make([]byte, 1); ; {
					if _, err := c.Read(b); err != nil {
						return
					}
					c.Write(b)
				}
			}()
		}
	}()
	dial := func(last byte) net.Conn {
		d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, last)}}
		c, err := d.Dial("tcp", own.Addr().String())
		if err != nil {
			t.Skipf("no second address on loopback: %v", err)
		}
		t.Cleanup(func() { c.Close() })
		return c
	}
	echo := func(c net.Conn) bool {
		c.SetDeadline(time.Now().Add(20 * time.Second))
		c.Write([]byte("x"))
		n, _ := c.Read(make([]byte, 1))
		return n == 1
	}
	var held []net.Conn
	for range each {
		for i := range hostile {
			c := dial(byte(10 + i))
			if !echo(c) {
				t.Fatal("there was no place although not all were taken")
			}
			held = append(held, c)
		}
	}
	kept := dial(2)
	if !echo(kept) {
		t.Fatal("a new address found no place")
	}
	for i := range 3 * hostile {
		dial(byte(10 + i%hostile))
	}
	if !echo(kept) {
		t.Error("the new address lost its place")
	}
	lost := 0
	for _, c := range held {
		if !echo(c) {
			lost++
		}
	}
	if lost == 0 {
		t.Error("no hostile connection gave way")
	}
}
