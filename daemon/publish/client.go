package publish

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
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

// options are those on which a token without an error is a true
// acknowledgement: no automatic reconnection, no connection retry, a clean
// session, and one client per connection. With automatic reconnection the
// library completes the tokens of lost messages without an error.
func (p *Publisher) options(ctx context.Context, sock *socket, lost chan<- error) (*mqtt.ClientOptions, error) {
	c := &p.cfg
	will, err := json.Marshal(c.daemonAlive(Offline, "connection lost", time.Now()))
	if err != nil {
		return nil, err
	}
	o := mqtt.NewClientOptions().AddBroker(c.Broker).SetClientID(c.ClientID).
		SetUsername(c.User).SetPassword(c.Password).SetProtocolVersion(4).
		SetAutoReconnect(false).SetConnectRetry(false).SetCleanSession(true).SetOrderMatters(true).
		SetConnectTimeout(p.pace.connect).SetWriteTimeout(p.pace.write).
		SetKeepAlive(p.pace.keepAlive).SetPingTimeout(p.pace.ping).
		SetBinaryWill(Topic(c.Site, c.daemonLevel(), alive), will, 1, true)
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		select {
		case lost <- err:
		default:
		}
	})
	o.SetCustomOpenConnectionFn(func(uri *url.URL, o mqtt.ClientOptions) (net.Conn, error) {
		conn, err := p.dial(ctx, uri, &o)
		if err == nil {
			sock.set(conn)
		}
		return conn, err
	})
	return o, nil
}

// dial opens the connection itself, so that no proxy from the environment comes
// between, and that it ends with ctx.
func (p *Publisher) dial(ctx context.Context, uri *url.URL, o *mqtt.ClientOptions) (net.Conn, error) {
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

// connect makes one attempt.
func (p *Publisher) connect(ctx context.Context) (*link, error) {
	lost := make(chan error, 1)
	sock := &socket{}
	o, err := p.options(ctx, sock, lost)
	if err != nil {
		return nil, err
	}
	client := mqtt.NewClient(o)
	token := client.Connect()
	limit := time.NewTimer(p.pace.connect + p.pace.connect/2)
	defer limit.Stop()
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
	return newLink(p, client, sock, lost), nil
}

// subscribe asks for the commands of all stations. A broker that refuses them
// doesn't end the connection; it is told in the status.
func (p *Publisher) subscribe(client mqtt.Client) (refused string, err error) {
	filters := map[string]byte{}
	for _, s := range p.cfg.Stations {
		filters[Topic(p.cfg.Site, s, do)] = 1
	}
	token := client.SubscribeMultiple(filters, p.arrived)
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

// arrived runs on the library's goroutine, which must never wait: what can't be
// queued is refused and counted. A retained command would be carried out again
// at each connection and is refused as well.
func (p *Publisher) arrived(_ mqtt.Client, m mqtt.Message) {
	levels := strings.Split(m.Topic(), "/")
	if m.Retained() || len(m.Payload()) > maxCommand || len(levels) != 5 {
		p.count(&p.status.RefusedCommands)
		return
	}
	select {
	case p.commands <- command{levels[3], m.Payload()}:
	default:
		p.count(&p.status.RefusedCommands)
	}
}
