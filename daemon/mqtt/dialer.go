// Package mqtt connects to a broker by MQTT 3.1.1: address and TLS, one connection after
// another with a wait between, and why there is none.
package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"math/rand/v2"
	"net"
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
	Pace Pace // set it before the first connection
	cfg  Config
	tls  *tls.Config // nil: none
}

// NewDialer returns a dialer for a checked configuration, whose files it reads.
func NewDialer(cfg Config, log zerolog.Logger) (*Dialer, error) {
	tc, err := cfg.TLS()
	if err != nil {
		return nil, err
	}
	if cfg.bare() {
		log.Warn().Str("broker", cfg.Broker).Msg("the password crosses the network in the clear; use ssl://")
	}
	d := &Dialer{Pace: cfg.Pace, cfg: cfg, tls: tc}
	if d.Pace == (Pace{}) {
		d.Pace = UsualPace()
	}
	return d, nil
}

// Will is a retained message that the broker sends when the connection is lost.
type Will struct {
	Topic   string
	Payload []byte
}

// Dial makes one attempt, with a will if it is not nil. What wrap makes of the network
// connection is what is written to and read from.
func (d *Dialer) Dial(ctx context.Context, will *Will, wrap func(net.Conn) net.Conn) (*Conn, error) {
	lost := make(chan error, 1)
	c := &Conn{Lost: lost, answer: d.Pace.Answer, sock: &socket{}}
	o := d.options(lost)
	o.SetCustomOpenConnectionFn(func(uri *url.URL, o paho.ClientOptions) (net.Conn, error) {
		conn, err := d.open(ctx, uri, &o)
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
	limit := time.NewTimer(d.Pace.Connect + d.Pace.Connect/2)
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

// options are those on which a token without an error is a true
// acknowledgement: no automatic reconnection, no connection retry, a clean
// session, and one client per connection. With automatic reconnection the
// library completes the tokens of lost messages without an error.
func (d *Dialer) options(lost chan<- error) *paho.ClientOptions {
	c := &d.cfg
	return paho.NewClientOptions().AddBroker(c.Broker).SetClientID(c.ClientID).
		SetUsername(c.User).SetPassword(c.Password).SetProtocolVersion(4).
		SetAutoReconnect(false).SetConnectRetry(false).SetCleanSession(true).SetOrderMatters(true).
		SetConnectTimeout(d.Pace.Connect).SetWriteTimeout(d.Pace.Write).
		SetKeepAlive(d.Pace.KeepAlive).SetPingTimeout(d.Pace.Ping).
		SetConnectionLostHandler(func(_ paho.Client, err error) {
			select {
			case lost <- err:
			default:
			}
		})
}

// open opens the connection itself, so that no proxy from the environment comes
// between, and that it ends with ctx.
func (d *Dialer) open(ctx context.Context, uri *url.URL, o *paho.ClientOptions) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, d.Pace.Connect)
	defer cancel()
	switch uri.Scheme {
	case "ws", "wss":
		return paho.NewWebsocket(uri.String(), d.tls, d.Pace.Connect, nil, o.WebsocketOptions)
	case "ssl":
		secure := tls.Dialer{Config: d.tls}
		return secure.DialContext(ctx, "tcp", uri.Host)
	}
	var plain net.Dialer
	return plain.DialContext(ctx, "tcp", uri.Host)
}

// Keep makes one connection after another, with a wait between, until ctx ends.
// Each returns how long it held, 0 if it didn't come about, and why it ended.
func (d *Dialer) Keep(ctx context.Context, connection func(context.Context) (time.Duration, error), tell func(connected bool, why analysis.Phrase)) {
	wait := backoff{pace: &d.Pace}
	short := 0 // connections in a row that were made and lost at once
	for ctx.Err() == nil {
		held, err := connection(ctx)
		if ctx.Err() != nil {
			break
		}
		why := d.explain(err)
		if held > 0 && held < d.Pace.Settled {
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

// explain says why there is no connection, and what to do.
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

// Pace holds the waits of a connection.
type Pace struct {
	First, Most time.Duration // wait before another attempt, doubling
	Settled     time.Duration // a connection that held this long was a good one
	Connect     time.Duration // for the connection and its handshake
	Write       time.Duration // for one packet to go into the socket
	Answer      time.Duration // without any acknowledgement while some are due
	KeepAlive   time.Duration
	Ping        time.Duration // for its answer
}

// UsualPace are the waits unless a test shortens them.
func UsualPace() Pace {
	return Pace{
		First: 500 * time.Millisecond, Most: 30 * time.Second, Settled: 10 * time.Second,
		Connect: 5 * time.Second, Write: 3 * time.Second, Answer: 5 * time.Second,
		KeepAlive: 10 * time.Second, Ping: 4 * time.Second,
	}
}

// backoff yields the waits between attempts.
type backoff struct {
	pace  *Pace
	fails int // since the last connection that settled
}

// next returns the wait after a connection that held for a time (0: none came
// about): first, doubling up to most, and up to half of it more by chance, so
// that all daemons of a shop don't come back in the same instant.
func (b *backoff) next(held time.Duration) time.Duration {
	if held >= b.pace.Settled {
		b.fails = 0
	}
	d := b.pace.Most
	if b.fails < 16 {
		d = min(b.pace.First<<b.fails, b.pace.Most)
	}
	b.fails++
	return min(d+rand.N(d/2+1), b.pace.Most)
}
