// Package limit bounds what strangers may use of the program: connections of its listeners and
// guesses of its passwords. So a client that connects or guesses too often does not take open files,
// memory and processor time away from the gauges and the journal, nor the page away from others.
package limit

import (
	"net"
	"net/netip"
	"slices"
	"sync"
	"sync/atomic"
)

// These are the largest numbers of connections of the page and of the embedded broker, in all and
// from one address. They are more than a shop needs, but few enough to leave the program open files
// and memory for the gauges and the journal. A browser opens 6 connections.
const (
	Page       = 512
	PageEach   = 64
	Broker     = 2048
	BrokerEach = 128
)

// Address returns what counts as one address: an IPv4 address, or the /64 network of an IPv6
// address, since a single machine may have a whole such network. An IPv4 address that is written as
// IPv6 counts as IPv4. The zero address counts as one address too.
func Address(a netip.Addr) netip.Prefix {
	a = a.Unmap().WithZone("")
	bits := 32
	if a.Is6() {
		bits = 64
	}
	p, _ := a.Prefix(bits) // fails for the zero address only, whose prefix is the zero prefix
	return p
}

// From returns the IP address of an address with a port, zero if it has none. An IPv4 address that is
// written as IPv6 is returned as IPv4.
func From(address string) netip.Addr {
	ap, err := netip.ParseAddrPort(address)
	if err != nil {
		return netip.Addr{}
	}
	return ap.Addr().Unmap()
}

// Places bounds how many connections are open at once, in all and from one address. Several
// listeners may share it. [NewPlaces] makes it.
type Places struct {
	all, each int
	exempt    []netip.Prefix
	tell      func(from netip.Addr)
	refused   atomic.Uint64

	mu    sync.Mutex
	taken int
	by    map[netip.Prefix]int
	open  map[netip.Prefix][]*placedConn // of the listeners, without those that are exempt; the oldest first
}

// NewPlaces returns places for that many connections in all, and for each address. The networks in
// exempt, such as those of proxies, have no bound of their own. The function tell is called with the
// address of each connection of a listener that found no place, from the goroutine that accepts; nil
// tells nobody.
func NewPlaces(all, each int, exempt []netip.Prefix, tell func(from netip.Addr)) *Places {
	return &Places{all: all, each: each, exempt: exempt, tell: tell, by: map[netip.Prefix]int{}, open: map[netip.Prefix][]*placedConn{}}
}

// Refused returns how many connections found no place, or lost it to another.
func (p *Places) Refused() uint64 { return p.refused.Load() }

// Bound returns a listener of which each connection takes a place until it is closed. If all places
// are taken, the address that has the most gives one up, its oldest connection, to an address that
// has fewer: otherwise a few addresses could keep all others out. A connection that finds no place is
// closed at once.
func (p *Places) Bound(l net.Listener) net.Listener { return &placesListener{l, p} }

// Take takes a place for an address, and reports whether there was one. Its holder must call leave
// once.
func (p *Places) Take(from netip.Addr) (leave func(), ok bool) {
	key := Address(from)
	own := !Within(from, p.exempt)
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.taken >= p.all || own && p.by[key] >= p.each {
		return nil, false
	}
	p.taken++
	p.by[key]++
	return func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.taken--
		if p.by[key]--; p.by[key] == 0 {
			delete(p.by, key)
		}
	}, true
}

// Within reports whether an address is in one of the networks.
func Within(a netip.Addr, networks []netip.Prefix) bool {
	a = a.Unmap().WithZone("")
	for _, n := range networks {
		if n.Contains(a) {
			return true
		}
	}
	return false
}

type placesListener struct {
	net.Listener
	places *Places
}

// Accept implements net.Listener.
func (l *placesListener) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		tcp, ok := conn.(*net.TCPConn)
		if !ok {
			return conn, nil
		}
		from := From(tcp.RemoteAddr().String())
		leave, ok := l.places.Take(from)
		if !ok && l.places.giveUp(from) {
			leave, ok = l.places.Take(from)
		}
		if ok {
			return l.places.place(tcp, from, leave), nil
		}
		_ = tcp.Close() // it was never used
		l.places.turned(from)
	}
}

func (p *Places) turned(from netip.Addr) {
	p.refused.Add(1)
	if p.tell != nil {
		p.tell(from)
	}
}

// place returns a connection that has a place.
func (p *Places) place(tcp *net.TCPConn, from netip.Addr, leave func()) *placedConn {
	c := &placedConn{TCPConn: tcp, from: from}
	key := Address(from)
	c.leave = sync.OnceFunc(func() {
		leave()
		p.mu.Lock()
		defer p.mu.Unlock()
		if rest := slices.DeleteFunc(p.open[key], func(o *placedConn) bool { return o == c }); len(rest) > 0 {
			p.open[key] = rest
		} else {
			delete(p.open, key)
		}
	})
	if !Within(from, p.exempt) {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.open[key] = append(p.open[key], c)
	}
	return c
}

// giveUp closes the oldest connection of the address that has the most, if all places are taken and
// that address has more than the one that asks would have with another.
func (p *Places) giveUp(to netip.Addr) bool {
	p.mu.Lock()
	most := p.by[Address(to)] + 1
	var goes *placedConn
	if p.taken >= p.all {
		for _, conns := range p.open {
			if len(conns) > most {
				most, goes = len(conns), conns[0]
			}
		}
	}
	p.mu.Unlock()
	if goes == nil {
		return false
	}
	_ = goes.Close() // its user finds it closed
	p.turned(goes.from)
	return true
}

// placedConn is a connection that frees its place when it is closed.
type placedConn struct {
	*net.TCPConn
	from  netip.Addr
	leave func()
}

// Close implements net.Conn.
func (c *placedConn) Close() error {
	defer c.leave()
	return c.TCPConn.Close()
}
