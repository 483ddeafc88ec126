// Package mqtt connects to a broker by MQTT 3.1.1. It handles the address and TLS, reconnects after
// a pause, and says why there is no connection.
package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"syscall"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/rs/zerolog"

	"fairbore/analysis"
)

// Dialer makes connections to a broker.
type Dialer struct {
	Waits Waits
	cfg   Config
	tls   *tls.Config // nil: no TLS
}

// NewDialer returns a dialer for a checked configuration. It reads the files of the configuration.
func NewDialer(cfg Config, log zerolog.Logger) (*Dialer, error) {
	tc, err := cfg.TLS()
	if err != nil {
		return nil, err
	}
	if cfg.bare() {
		log.Warn().Str("broker", cfg.Broker).Msg("the password crosses the network in the clear; use ssl://")
	}
	d := &Dialer{Waits: cfg.Waits, cfg: cfg, tls: tc}
	if d.Waits == (Waits{}) {
		d.Waits = UsualWaits()
	}
	return d, nil
}

// Will is a retained message that the broker sends when the connection is lost.
type Will struct {
	Topic   string
	Payload []byte
}

// Dial makes one attempt to connect. will may be nil. wrap gets the network connection and returns
// the connection that the client then reads and writes.
func (d *Dialer) Dial(ctx context.Context, will *Will, wrap func(net.Conn) net.Conn) (*Conn, error) {
	lost := make(chan error, 1)
	c := &Conn{Lost: lost, answer: d.Waits.Answer, sock: &socket{}}
	o := d.options(lost)
	o.SetCustomOpenConnectionFn(func(uri *url.URL, _ paho.ClientOptions) (net.Conn, error) {
		conn, err := d.open(ctx, uri)
		if err != nil {
			return nil, err
		}
		c.sock.set(conn)
		return wrap(conn), nil
	})
	if will != nil {
		o.SetBinaryWill(will.Topic, will.Payload, 1, true)
	}
	c.client = paho.NewClient(o)
	token := c.client.Connect()
	limit := time.NewTimer(d.Waits.Connect + d.Waits.Connect/2)
	defer limit.Stop()
	var err error
	select {
	case <-token.Done():
		err = token.Error()
	case <-limit.C:
		err = analysis.Say("mqtt.connect_timeout")
	case <-ctx.Done():
		err = ctx.Err()
	}
	if err != nil {
		c.sock.close()
		return nil, err
	}
	return c, nil
}

// options returns the options of a client. With them a token without an error is a true
// acknowledgement: there is no automatic reconnection and no connection retry, the session is
// clean, and each connection has a client of its own. With automatic reconnection the library would
// complete the tokens of lost messages without an error.
func (d *Dialer) options(lost chan<- error) *paho.ClientOptions {
	c := &d.cfg
	return paho.NewClientOptions().AddBroker(c.Broker).SetClientID(c.ClientID).
		SetUsername(c.User).SetPassword(c.Password).SetProtocolVersion(4).
		SetAutoReconnect(false).SetConnectRetry(false).SetCleanSession(true).SetOrderMatters(true).
		SetConnectTimeout(d.Waits.Connect).SetWriteTimeout(d.Waits.Write).
		SetKeepAlive(d.Waits.KeepAlive).SetPingTimeout(d.Waits.Ping).
		SetConnectionLostHandler(func(_ paho.Client, err error) {
			select {
			case lost <- err:
			default:
			}
		})
}

// open opens the network connection in place of the library, so that no proxy from the environment
// is used and the attempt ends with ctx.
func (d *Dialer) open(ctx context.Context, uri *url.URL) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, d.Waits.Connect)
	defer cancel()
	switch uri.Scheme {
	case "ws", "wss":
		return d.websocket(ctx, uri)
	case "ssl":
		secure := tls.Dialer{Config: d.tls}
		return secure.DialContext(ctx, "tcp", uri.Host)
	}
	var plain net.Dialer
	return plain.DialContext(ctx, "tcp", uri.Host)
}

// websocket opens a websocket with the library, without a proxy. The library can't be stopped, so if
// ctx ends first, its attempt goes on by itself for at most Waits.Connect, and what it opens is
// closed again.
func (d *Dialer) websocket(ctx context.Context, uri *url.URL) (net.Conn, error) {
	type outcome struct {
		conn net.Conn
		err  error
	}
	opened := make(chan outcome)
	go func() {
		direct := func(*http.Request) (*url.URL, error) { return nil, nil }
		conn, err := paho.NewWebsocket(uri.String(), d.tls, d.Waits.Connect, nil, &paho.WebsocketOptions{Proxy: direct})
		select {
		case opened <- outcome{conn, err}:
		case <-ctx.Done():
			if err == nil {
				conn.Close()
			}
		}
	}()
	select {
	case o := <-opened:
		return o.conn, o.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Keep makes one connection after the other, with a pause in between, until ctx ends. connection
// makes and uses one. It returns how long the connection lasted (0: it was not made) and why it
// ended. tell gets the reason each time.
func (d *Dialer) Keep(ctx context.Context, connection func(context.Context) (time.Duration, error), tell func(connected bool, why analysis.Phrase)) {
	wait := backoff{waits: &d.Waits}
	short := 0 // connections in a row that were lost soon after they were made
	for ctx.Err() == nil {
		held, err := connection(ctx)
		if ctx.Err() != nil {
			break
		}
		why := d.explain(err)
		if held > 0 && held < d.Waits.Settled {
			short++
		} else {
			short = 0
		}
		if short >= 2 {
			why = analysis.Say("mqtt.lost_at_once", why, d.cfg.ClientID)
		}
		tell(false, why)
		select {
		case <-ctx.Done():
		case <-time.After(wait.next(held)):
		}
	}
	tell(false, analysis.Say("mqtt.stopped"))
}

// explain returns a phrase that says why there is no connection and what to do.
func (d *Dialer) explain(err error) analysis.Phrase {
	var (
		unknown x509.UnknownAuthorityError
		host    x509.HostnameError
		invalid x509.CertificateInvalidError
		noTLS   tls.RecordHeaderError
		netErr  net.Error
	)
	c := &d.cfg
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		if c.User == "" {
			return analysis.Say("mqtt.nobody")
		}
		return analysis.Say("mqtt.user", c.User)
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return analysis.Say("mqtt.client_id", c.ClientID)
	case errors.As(err, &unknown):
		if c.CAFile == "" {
			return analysis.Say("mqtt.no_ca")
		}
		return analysis.Say("mqtt.ca", c.CAFile)
	case errors.As(err, &host):
		return analysis.Say("mqtt.name", host)
	case errors.As(err, &invalid):
		return analysis.Say("mqtt.certificate", invalid)
	case d.tls != nil && errors.Is(err, packets.ErrorNetworkError) && (errors.Is(err, io.EOF) || errors.Is(err, syscall.ECONNRESET) || errors.As(err, &noTLS)):
		return analysis.Say("mqtt.no_tls", c.Broker, err)
	case errors.Is(err, syscall.ECONNREFUSED):
		return analysis.Say("mqtt.refused", c.Broker)
	case errors.As(err, &netErr) && netErr.Timeout(), errors.Is(err, os.ErrDeadlineExceeded):
		return analysis.Say("mqtt.timeout", c.Broker)
	}
	var said analysis.Phrase
	var cut lost
	switch {
	case errors.Is(err, ErrNoAnswer):
		return analysis.Say("mqtt.no_answer")
	case errors.Is(err, ErrNoAck):
		return analysis.Say("mqtt.no_ack")
	case errors.As(err, &said):
		return said
	case errors.As(err, &cut):
		return analysis.Say("mqtt.lost", cut.cause)
	}
	return analysis.Say("mqtt.failed", err)
}

// Waits are the timeouts and pauses of a connection.
type Waits struct {
	First, Most time.Duration // pause before another attempt; it doubles from First to Most
	Settled     time.Duration // a connection that lasts this long was a good one
	Connect     time.Duration // timeout of the connection and its handshake
	Write       time.Duration // timeout of the write of one packet to the socket
	Answer      time.Duration // longest time without an acknowledgement while any is due
	KeepAlive   time.Duration // interval of the keep-alive
	Ping        time.Duration // timeout of the answer to a ping
}

// UsualWaits returns the waits that are used outside tests.
func UsualWaits() Waits {
	return Waits{
		First: 500 * time.Millisecond, Most: 5 * time.Second, Settled: 10 * time.Second,
		Connect: 5 * time.Second, Write: 3 * time.Second, Answer: 5 * time.Second,
		KeepAlive: 10 * time.Second, Ping: 4 * time.Second,
	}
}

// backoff calculates the pauses between attempts.
type backoff struct {
	waits *Waits
	fails int // failed attempts and short connections since the last good connection
}

// next returns the pause after a connection that lasted for held (0: none was made). The pause
// doubles from First to Most. A random part of up to half the pause is taken off, so the daemons of a
// shop don't all reconnect at the same instant.
func (b *backoff) next(held time.Duration) time.Duration {
	if held >= b.waits.Settled {
		b.fails = 0
	}
	d := b.waits.Most
	if b.fails < 16 {
		d = min(b.waits.First<<b.fails, b.waits.Most)
	}
	b.fails++
	return d - rand.N(d/2+1)
}
