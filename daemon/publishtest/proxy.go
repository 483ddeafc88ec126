package publishtest

import (
	"bufio"
	"encoding/binary"
	"io"
	"net"
	"sync"
	"testing"
	"time"
)

// Proxy stands between a publisher and a broker. It can swallow the bytes of either direction, stop
// reading, delay, refuse or cut the connections, cut one within a packet, and deliver a packet twice.
type Proxy struct {
	t      testing.TB
	l      net.Listener
	addr   string
	target string
	mu     sync.Mutex
	up     bool // bytes to the broker vanish
	down   bool // bytes to the publisher vanish
	frozen bool // the proxy reads nothing
	delay  time.Duration
	left   int  // bytes to the broker until the connection is cut; 0: it is not cut
	twice  bool // what the broker publishes comes twice
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
	p := &Proxy{t: t, l: l, addr: l.Addr().String(), target: target}
	go p.accept(l)
	t.Cleanup(func() { p.Refuse(); p.Mend(); p.Cut() })
	return p
}

// URL returns the address of the proxy, which a publisher uses as the broker's address.
func (p *Proxy) URL() string { return "tcp://" + p.addr }

func (p *Proxy) accept(l net.Listener) {
	for {
		in, err := l.Accept()
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
		go p.copy(out, in, p.forUp)
		go p.copy(in, &packets{in: bufio.NewReader(out), Conn: out, twice: func() bool { return p.Is(func() bool { return p.twice }) }}, p.forDown)
	}
}

// forUp returns how many of n bytes go on to the broker, and whether the connection is cut then.
func (p *Proxy) forUp(n int) (most int, cut bool) {
	if p.left > 0 {
		if p.left -= min(n, p.left); p.left == 0 {
			return max(n-1, 0), true
		}
	}
	if p.up {
		return 0, false
	}
	return n, false
}

func (p *Proxy) forDown(n int) (most int, cut bool) {
	if p.down {
		return 0, false
	}
	return n, false
}

func (p *Proxy) copy(dst, src net.Conn, pass func(n int) (most int, cut bool)) {
	defer dst.Close()
	defer src.Close()
	buf := make([]byte, 4096)
	for {
		for p.Is(func() bool { return p.frozen }) {
			time.Sleep(time.Millisecond)
		}
		n, err := src.Read(buf)
		p.mu.Lock()
		wait := p.delay
		most, cut := pass(n)
		p.mu.Unlock()
		time.Sleep(wait)
		if most > 0 {
			dst.Write(buf[:most])
		}
		if err != nil || cut {
			return
		}
	}
}

// packets reads the packets of a broker one by one, so that a message can come twice.
type packets struct {
	net.Conn
	in    *bufio.Reader
	twice func() bool
	rest  []byte
}

// Read gives the bytes of the next packet. A message that the broker publishes with QoS 1 comes a
// second time, marked as a duplicate (MQTT 3.1.1, section 3.3.1.1).
func (p *packets) Read(to []byte) (int, error) {
	if len(p.rest) == 0 {
		head, err := p.in.ReadByte()
		if err != nil {
			return 0, err
		}
		size, err := binary.ReadUvarint(p.in) // the remaining length of MQTT has the form of a uvarint
		if err != nil {
			return 0, err
		}
		packet := binary.AppendUvarint([]byte{head}, size)
		at := len(packet)
		packet = append(packet, make([]byte, size)...)
		if _, err := io.ReadFull(p.in, packet[at:]); err != nil {
			return 0, err
		}
		p.rest = packet
		if head&0xf6 == 0x32 && p.twice() {
			p.rest = append(p.rest, packet...)
			p.rest[len(packet)] |= 8
		}
	}
	n := copy(to, p.rest)
	p.rest = p.rest[n:]
	return n, nil
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

// Delay holds back all that passes for so long, piece by piece.
func (p *Proxy) Delay(d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.delay = d
}

// CutAfter cuts the connection over which the n-th byte from now goes to the broker. The byte itself
// does not arrive, so that a packet is cut in most cases.
func (p *Proxy) CutAfter(n int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.left = n
}

// Twice delivers each message of the broker twice.
func (p *Proxy) Twice() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.twice = true
}

// Mend ends all faults but refused connections.
func (p *Proxy) Mend() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.up, p.down, p.frozen, p.delay, p.left, p.twice = false, false, false, 0, 0, false
}

// Refuse refuses new connections, until Accept.
func (p *Proxy) Refuse() { p.l.Close() }

// Accept takes connections again at the same address.
func (p *Proxy) Accept() {
	l, err := net.Listen("tcp", p.addr)
	if err != nil {
		p.t.Fatal(err)
	}
	p.l = l
	go p.accept(l)
}

// Reset ends all connections with a reset (RFC 9293, section 3.10.7).
func (p *Proxy) Reset() {
	p.mu.Lock()
	for _, c := range p.conns {
		c.(*net.TCPConn).SetLinger(0)
	}
	p.mu.Unlock()
	p.Cut()
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
