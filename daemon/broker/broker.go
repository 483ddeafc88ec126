package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"fairbore/daemon/limit"
)

// Broker is an open broker. It serves while Run runs.
type Broker struct {
	cfg      Config
	log      zerolog.Logger
	users    map[string]User
	socket   net.Listener
	tls      *tls.Config // nil: none
	buffers  sync.Pool   // of *[]byte, for what is written
	throttle throttle    // of the publisher in this process
	door     door        // those that have not logged in
	places   *limit.Places
	readers  *limit.Places // clients without a user
	wrong    limit.Seldom  // lines of the log about passwords
	turned   limit.Seldom  // and about places
	served   sync.WaitGroup

	received, sent, dropped, refused, guesses, crowded, malformed, slow, panics atomic.Uint64

	// mu guards what follows. It is held while a message is put into the queues of its subscribers, so
	// that all of them get messages in one order, and a new one gets each topic's newest.
	mu       sync.Mutex
	sessions map[sessionKey]*session
	clients  int // connected
	ended    bool
	retained map[string]*message
	local    []*subscription
	routes   map[string]route // by topic; emptied whenever a subscription comes or goes
	turn     int              // of shared subscriptions
}

// Stats are counts since Open.
type Stats struct {
	Clients  int    // connected now
	Received uint64 // messages taken
	Sent     uint64 // messages delivered
	// Dropped counts messages that a subscriber did not get because it was too slow, or away for
	// too long.
	Dropped   uint64
	Refused   uint64 // logins, subscriptions and messages that were not allowed
	Guesses   uint64 // logins with a wrong password or beyond the budget of guesses
	Crowded   uint64 // connections and logins for which there was no place
	Malformed uint64 // clients that were cut off because of a faulty packet
	Slow      uint64 // clients that were cut off because they read or acknowledged nothing
	Panics    uint64 // clients that were cut off because serving them failed
}

// maxRetained bounds the topics that have a retained message.
const maxRetained = 10_000

// Open reserves the address and checks the configuration. It fails if the address is in use.
// Nothing is served before Run.
func Open(cfg Config, log zerolog.Logger) (*Broker, error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	tc, err := cfg.tlsConfig()
	if err != nil {
		return nil, err
	}
	l, err := net.Listen("tcp", cfg.Listen)
	if err != nil {
		return nil, fmt.Errorf("broker can't listen on %s; choose another address or stop what uses it: %w", cfg.Listen, err)
	}
	b := &Broker{
		cfg: cfg, log: log, tls: tc, users: map[string]User{}, sessions: map[sessionKey]*session{},
		retained: map[string]*message{}, routes: map[string]route{},
		readers: limit.NewPlaces(max(1, cfg.Clients*3/4), max(1, cfg.Clients/2), nil, nil),
	}
	b.places = limit.NewPlaces(limit.Broker, limit.BrokerEach, nil, b.full)
	b.socket = b.places.Bound(l)
	b.buffers.New = func() any { return new([]byte) }
	b.throttle.setDefaults()
	for _, u := range cfg.Users {
		b.users[u.Name] = u
	}
	return b, nil
}

// full writes to the log that there was no place for a client.
func (b *Broker) full(from netip.Addr) {
	if held, write := b.turned.Line(time.Now()); write {
		b.log.Warn().Stringer("from", from).Uint64("not_shown", held).Msg("the broker has no place left for a client; find out who holds so many connections")
	}
}

// Run serves until ctx ends, then closes all connections.
func (b *Broker) Run(ctx context.Context) error {
	accepting := make(chan struct{})
	go func() {
		defer close(accepting)
		b.accept(ctx)
	}()
	sweep := time.NewTicker(2 * time.Second)
	defer sweep.Stop()
	for ctx.Err() == nil {
		select {
		case now := <-sweep.C:
			b.forgetAbsent(now)
			b.cutStuck(now)
		case <-ctx.Done():
		}
	}
	err := b.Close()
	<-accepting
	b.door.shut()
	for _, c := range b.end() {
		b.served.Go(func() { c.end(shuttingDown) })
	}
	b.served.Wait()
	return err
}

// cutStuck ends the clients that stand still.
func (b *Broker) cutStuck(now time.Time) {
	for _, s := range b.connectedSessions() {
		if c := s.queue.stuck(now); c != nil {
			b.slow.Add(1)
			_ = c.raw.Close() // it does not read either
		}
	}
}

// end lets nobody in any more, and returns the clients that are connected.
func (b *Broker) end() (all []*client) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ended = true
	for _, s := range b.sessions {
		if s.client != nil {
			all = append(all, s.client)
		}
	}
	return all
}

// Close frees the address of a broker that was never run. After Run it does nothing.
func (b *Broker) Close() error {
	if err := b.socket.Close(); !errors.Is(err, net.ErrClosed) {
		return err
	}
	return nil
}

// retry is how long to wait after a connection could not be accepted.
const retry = 100 * time.Millisecond

// accept takes connections until the listener is closed. It goes on when a connection can't be
// accepted, such as while too many files are open.
func (b *Broker) accept(ctx context.Context) {
	for failed := false; ; {
		c, err := b.socket.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			if !failed {
				b.log.Error().Err(err).Msg("the broker can't take a connection and goes on trying; raise the limit of open files, or find out who holds so many")
			}
			failed = true
			time.Sleep(retry)
			continue
		}
		failed = false
		b.served.Go(func() { b.serve(ctx, c) })
	}
}

// Addr returns the address of the listener as host:port.
func (b *Broker) Addr() string { return b.socket.Addr().String() }

// Stats returns the counts.
func (b *Broker) Stats() Stats {
	b.mu.Lock()
	clients := b.clients
	b.mu.Unlock()
	return Stats{
		Clients: clients, Received: b.received.Load(), Sent: b.sent.Load(), Dropped: b.dropped.Load(), Refused: b.refused.Load(),
		Guesses: b.guesses.Load(), Crowded: b.crowded.Load() + b.door.turnedOut.Load() + b.places.Refused(), Malformed: b.malformed.Load(), Slow: b.slow.Load(), Panics: b.panics.Load(),
	}
}

// connectedSessions returns the sessions whose clients are connected.
func (b *Broker) connectedSessions() (all []*session) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.sessions {
		if s.client != nil {
			all = append(all, s)
		}
	}
	return all
}

// publish passes a message on, and keeps it if it is to be retained. A command is never retained:
// it would be carried out again at each start of the daemon.
func (b *Broker) publish(m *message) {
	m.qos = min(m.qos, 1)
	if m.life > 0 {
		m.expires = time.Now().Add(m.life)
	}
	if strings.HasSuffix(m.topic, "/do") {
		m.retain = false
	}
	b.received.Add(1)
	for _, take := range b.enqueue(m) {
		take(m.topic, m.payload, false)
	}
}

// enqueue puts a message into the queues, and returns who takes it in this process.
func (b *Broker) enqueue(m *message) []func(string, []byte, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if m.retain {
		b.keep(m)
	}
	r := b.route(m.topic)
	for _, s := range r.each {
		s.deliver(m, m.retain && s.asSent)
	}
	for _, members := range r.shared {
		b.turn++
		connected := slices.DeleteFunc(slices.Clone(members), func(s *subscription) bool { return s.session.client == nil })
		if len(connected) == 0 {
			connected = members
		}
		s := connected[b.turn%len(connected)]
		s.deliver(m, m.retain && s.asSent)
	}
	return r.local
}

// keep keeps a retained message. An empty one ends what was kept of its topic.
func (b *Broker) keep(m *message) {
	if len(m.payload) == 0 {
		delete(b.retained, m.topic)
		return
	}
	if _, there := b.retained[m.topic]; !there && len(b.retained) >= maxRetained {
		b.dropped.Add(1)
		return
	}
	b.retained[m.topic] = m
}
