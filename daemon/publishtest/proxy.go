package publishtest

import (
	"net"
	"sync"
	"testing"
	"time"
)

// Proxy stands between a publisher and a broker. It can swallow the bytes of either direction, stop
// reading, or cut the connections.
type Proxy struct {
	t      testing.TB
	l      net.Listener
	target string
	mu     sync.Mutex
	up     bool // bytes to the broker vanish
	down   bool // bytes to the publisher vanish
	frozen bool // the proxy reads nothing
	conns  []net.Conn
	Made   int
}

// StartProxy starts a proxy of a broker. The proxy ends with the test.
func StartProxy(t testing.TB, target string) *Proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &Proxy{t: t, l: l, target: target}
	go p.accept()
	t.Cleanup(func() { l.Close(); p.Set(false, false, false); p.Cut() })
	return p
}

// URL returns the address of the proxy, which a publisher uses as the broker's address.
func (p *Proxy) URL() string { return "tcp://" + p.l.Addr().String() }

func (p *Proxy) accept() {
	for {
		in, err := p.l.Accept()
		if err != nil {
			return
		}
		out, err := net.Dial("tcp", p.target)
		if err != nil {
			in.Close()
			continue
		}
		p.mu.Lock()
		p.Made++
		p.conns = append(p.conns, in, out)
		p.mu.Unlock()
		go p.copy(out, in, func() bool { return p.up })
		go p.copy(in, out, func() bool { return p.down })
	}
}

func (p *Proxy) copy(dst, src net.Conn, swallow func() bool) {
	defer dst.Close()
	defer src.Close()
	buf := make([]byte, 4096)
	for {
		for p.Is(func() bool { return p.frozen }) {
			time.Sleep(time.Millisecond)
		}
		n, err := src.Read(buf)
		if n > 0 && !p.Is(swallow) {
			dst.Write(buf[:n])
		}
		if err != nil {
			return
		}
	}
}

// Is calls f under the lock of the proxy, to read its state.
func (p *Proxy) Is(f func() bool) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return f()
}

// Set sets which directions are swallowed, and whether the proxy stops reading.
func (p *Proxy) Set(up, down, frozen bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.up, p.down, p.frozen = up, down, frozen
}

// Cut ends all connections.
func (p *Proxy) Cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		c.Close()
	}
	p.conns = nil
}
