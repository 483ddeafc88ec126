package publish

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// socket is the network connection under a client, kept so that it can be cut:
// a client that says goodbye properly takes its last will with it.
type socket struct {
	mu   sync.Mutex
	conn net.Conn
	cut  bool
}

func (s *socket) set(c net.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.conn = c
	if s.cut {
		c.Close()
	}
}

func (s *socket) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cut = true
	if s.conn != nil {
		s.conn.Close()
	}
}

// access is how a broker is reached, for a publisher and for a watcher.
type access struct {
	cfg  Config
	tls  *tls.Config // nil: none
	pace pace
}

// options are those on which a token without an error is a true
// acknowledgement: no automatic reconnection, no connection retry, a clean
// session, and one client per connection. With automatic reconnection the
// library completes the tokens of lost messages without an error. What wrap
// makes of a connection is what the library reads from.
func (p *access) options(ctx context.Context, sock *socket, lost chan<- error, wrap func(net.Conn) net.Conn) *mqtt.ClientOptions {
	c := &p.cfg
	o := mqtt.NewClientOptions().AddBroker(c.Broker).SetClientID(c.ClientID).
		SetUsername(c.User).SetPassword(c.Password).SetProtocolVersion(4).
		SetAutoReconnect(false).SetConnectRetry(false).SetCleanSession(true).SetOrderMatters(true).
		SetConnectTimeout(p.pace.connect).SetWriteTimeout(p.pace.write).
		SetKeepAlive(p.pace.keepAlive).SetPingTimeout(p.pace.ping)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		select {
		case lost <- err:
		default:
		}
	})
	o.SetCustomOpenConnectionFn(func(uri *url.URL, o mqtt.ClientOptions) (net.Conn, error) {
		conn, err := p.dial(ctx, uri, &o)
		if err != nil {
			return nil, err
		}
		sock.set(conn)
		return wrap(conn), nil
	})
	return o
}

// dial opens the connection itself, so that no proxy from the environment comes
// between, and that it ends with ctx.
func (p *access) dial(ctx context.Context, uri *url.URL, o *mqtt.ClientOptions) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, p.pace.connect)
	defer cancel()
	switch uri.Scheme {
	case "ws", "wss":
		return mqtt.NewWebsocket(uri.String(), p.tls, p.pace.connect, nil, o.WebsocketOptions)
	case "ssl":
		d := tls.Dialer{Config: p.tls}
		return d.DialContext(ctx, "tcp", uri.Host)
	}
	var d net.Dialer
	return d.DialContext(ctx, "tcp", uri.Host)
}

var errConnectTimeout = errors.New("the broker took the connection and did not answer in time")

// call makes one attempt. Without an error the client is connected, and the
// socket is to be closed at the end.
func (p *access) call(ctx context.Context, o *mqtt.ClientOptions, sock *socket) (mqtt.Client, error) {
	client := mqtt.NewClient(o)
	token := client.Connect()
	limit := time.NewTimer(p.pace.connect + p.pace.connect/2)
	defer limit.Stop()
	var err error
	select {
	case <-token.Done():
		err = token.Error()
	case <-limit.C:
		err = errConnectTimeout
	case <-ctx.Done():
		err = ctx.Err()
	}
	if err != nil {
		sock.close()
		return nil, err
	}
	return client, nil
}

// keep makes one connection after another, with a wait between, until ctx ends.
// Each returns how long it held, 0 if it didn't come about, and why it ended.
func (p *access) keep(ctx context.Context, connection func(context.Context) (time.Duration, error), tell func(connected bool, why string)) {
	wait := backoff{pace: &p.pace}
	short := 0 // connections in a row that were made and lost at once
	for ctx.Err() == nil {
		held, err := connection(ctx)
		if ctx.Err() != nil {
			break
		}
		why := p.explain(err)
		if held > 0 && held < p.pace.settled {
			short++
		} else {
			short = 0
		}
		if short >= 2 {
			why += fmt.Sprintf("; connections are made and lost at once: does another program use client id %q?", p.cfg.ClientID)
		}
		tell(false, why)
		select {
		case <-ctx.Done():
		case <-time.After(wait.next(held)):
		}
	}
	tell(false, "stopped")
}

// connect makes one attempt.
func (p *Publisher) connect(ctx context.Context) (*link, error) {
	c := &p.cfg
	if c.Local != nil {
		return newLink(p, local{c.Local}, nil), nil
	}
	will, err := json.Marshal(c.daemonAlive(Offline, "connection lost", time.Now()))
	if err != nil {
		return nil, err
	}
	lost := make(chan error, 1)
	sock := &socket{}
	out := &batch{limit: p.pace.write}
	o := p.options(ctx, sock, lost, out.wrap)
	o.SetBinaryWill(Topic(c.Site, c.daemonLevel(), alive), will, 1, true)
	client, err := p.call(ctx, o, sock)
	if err != nil {
		return nil, err
	}
	return newLink(p, &remote{out, client, sock}, lost), nil
}

// subscribe asks for the commands of all stations. A broker that refuses them
// doesn't end the connection; it is told in the status.
func (p *Publisher) subscribe(to carrier) (refused string, err error) {
	r, far := to.(*remote)
	if !far {
		for _, s := range p.cfg.Stations {
			err = errors.Join(err, p.cfg.Local.Subscribe(Topic(p.cfg.Site, s, do), p.arrived))
		}
		return "", err
	}
	filters := map[string]byte{}
	for _, s := range p.cfg.Stations {
		filters[Topic(p.cfg.Site, s, do)] = 1
	}
	token := r.client.SubscribeMultiple(filters, func(_ mqtt.Client, m mqtt.Message) { p.arrived(m.Topic(), m.Payload(), m.Retained()) })
	if !token.WaitTimeout(p.pace.ack) {
		return "", errors.New("the broker did not answer the subscription to commands")
	}
	if err := token.Error(); err != nil {
		return "", err
	}
	if t, ok := token.(*mqtt.SubscribeToken); ok {
		for topic, code := range t.Result() {
			if code > 2 {
				refused = "the broker refuses commands on " + topic + "; check its access rules"
			}
		}
	}
	return refused, nil
}

// arrived runs on a goroutine of the library or the broker, which must never wait:
// what can't be queued is refused and counted. A retained command would be
// carried out again at each connection and is refused as well.
func (p *Publisher) arrived(topic string, payload []byte, retained bool) {
	levels := strings.Split(topic, "/")
	if retained || len(payload) > maxCommand || len(levels) != 5 {
		p.count(&p.status.RefusedCommands)
		return
	}
	select {
	case p.commands <- command{levels[3], bytes.Clone(payload)}:
	default:
		p.count(&p.status.RefusedCommands)
	}
}
