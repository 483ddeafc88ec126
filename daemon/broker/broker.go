package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"sync/atomic"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/rs/zerolog"
)

// Broker is an open broker. It serves while Run runs.
type Broker struct {
	server   *mqtt.Server
	hook     *hook
	conns    connTracker
	tcp      net.Listener
	ws       *webSocket // nil: off
	throttle throttle   // of the publisher in this process
}

// Stats are counts since Open.
type Stats struct {
	Clients  int64  // connected now
	Received uint64 // messages taken
	Sent     uint64 // messages delivered
	// Dropped counts messages that a subscriber did not get because it was too slow, or away for
	// too long.
	Dropped uint64
	Refused uint64 // logins and messages that were not allowed
}

// Open reserves the addresses and checks the configuration. It fails if an address is in use.
// Nothing is served before Run.
func Open(cfg Config, log zerolog.Logger) (_ *Broker, err error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	tc, err := cfg.tlsConfig()
	if err != nil {
		return nil, err
	}
	b := &Broker{hook: newHook(&cfg), conns: connTracker{open: map[net.Conn]struct{}{}}}
	b.throttle.setDefaults()
	if b.tcp, err = listen(cfg.Listen, &cfg, tc); err != nil {
		return nil, err
	}
	b.server = newServer(&cfg, log)
	b.hook.clients = b.user
	errs := []error{b.server.AddHook(b.hook, nil), b.server.AddListener(&tcp{listener: listener{socket: b.tcp, id: "tcp", protocol: "tcp", conns: &b.conns}, log: log})}
	if cfg.WebSocket != "" {
		l, err := listen(cfg.WebSocket, &cfg, tc)
		if err == nil {
			b.ws = newWebSocket(l, &b.conns)
			err = b.server.AddListener(b.ws)
		}
		errs = append(errs, err)
	}
	if err := errors.Join(errs...); err != nil {
		b.tcp.Close()
		return nil, err
	}
	return b, nil
}

func newHook(cfg *Config) *hook {
	g := &hook{site: cfg.Site, users: map[string]User{}, anonymous: cfg.Anonymous}
	for _, u := range cfg.Users {
		g.users[u.Name] = u
	}
	return g
}

func newServer(cfg *Config, log zerolog.Logger) *mqtt.Server {
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumClients = int64(cfg.Clients)
	caps.MaximumPacketSize = MaxPacket
	caps.MaximumClientWritesPending = maxPending
	caps.MaximumSessionExpiryInterval = uint32(cfg.Expiry.Seconds())
	return mqtt.New(&mqtt.Options{InlineClient: true, Capabilities: caps, Logger: quietLog(log), ClientNetWriteBufferSize: 16 << 10, ClientNetReadBufferSize: 16 << 10})
}

func listen(addr string, cfg *Config, tc *tls.Config) (net.Listener, error) {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("broker can't listen on %s; choose another address or stop what uses it: %w", addr, err)
	}
	if cfg.Bound != nil {
		l = cfg.Bound(l)
	}
	l = &writeTimeoutListener{l}
	if tc != nil {
		l = tls.NewListener(l, tc)
	}
	return l, nil
}

// user returns the user of a connected client.
func (b *Broker) user(id string) (string, bool) {
	cl, ok := b.server.Clients.Get(id)
	if !ok {
		return "", false
	}
	return string(cl.Properties.Username), true
}

// Run serves until ctx ends, then closes all connections.
func (b *Broker) Run(ctx context.Context) error {
	if err := b.server.Serve(); err != nil {
		return errors.Join(err, b.tcp.Close())
	}
	<-ctx.Done()
	b.conns.end(b.server)
	return b.server.Close()
}

// Close frees the addresses of a broker that was never run. After Run it does nothing.
func (b *Broker) Close() error {
	var errs []error
	for _, l := range b.listeners() {
		if err := l.Close(); !errors.Is(err, net.ErrClosed) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

func (b *Broker) listeners() []net.Listener {
	if b.ws == nil {
		return []net.Listener{b.tcp}
	}
	return []net.Listener{b.tcp, b.ws.socket}
}

// Addr returns the address of the TCP listener as host:port.
func (b *Broker) Addr() string { return b.tcp.Addr().String() }

// WebSocketAddr returns the address of the WebSocket listener, empty if it is off.
func (b *Broker) WebSocketAddr() string {
	if b.ws == nil {
		return ""
	}
	return b.ws.Address()
}

// Stats returns the counts.
func (b *Broker) Stats() Stats {
	i := b.server.Info
	return Stats{
		Clients:  atomic.LoadInt64(&i.ClientsConnected),
		Received: uint64(atomic.LoadInt64(&i.MessagesReceived)),
		Sent:     uint64(atomic.LoadInt64(&i.MessagesSent)),
		Dropped:  b.hook.dropped.Load() + uint64(atomic.LoadInt64(&i.InflightDropped)),
		Refused:  b.hook.refused.Load(),
	}
}
