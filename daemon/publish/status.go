package publish

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"syscall"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// Status is how the publisher stands.
type Status struct {
	Connected bool
	Since     time.Time // of Connected
	Why       string    // a sentence: why not connected, or what is wrong although connected
	Backlog   uint64    // records of the journal not yet acknowledged
	Published uint64    // records acknowledged since the start, repeats included
	Skipped   uint64    // messages that can't be sent at all: too large, or no usable station name

	// Live values are not counted, they are made to be replaced.

	DroppedReplies  uint64 // replies pushed out by newer ones
	RefusedCommands uint64 // too large, retained, or too many at once
}

// Status returns how the publisher stands now.
func (p *Publisher) Status() Status {
	last := p.src.Last()
	p.mu.Lock()
	defer p.mu.Unlock()
	s := p.status
	if last > p.acked {
		s.Backlog = last - p.acked
	}
	return s
}

// tell changes the connection state and tells OnStatus if that was a change.
func (p *Publisher) tell(connected bool, why string) {
	p.mu.Lock()
	change := p.status.Connected != connected || p.status.Why != why || p.status.Since.IsZero()
	if p.status.Connected != connected || p.status.Since.IsZero() {
		p.status.Since = time.Now()
	}
	p.status.Connected, p.status.Why = connected, why
	p.mu.Unlock()
	if !change {
		return
	}
	p.log.Info().Bool("connected", connected).Str("why", why).Msg("broker")
	if p.OnStatus != nil {
		p.OnStatus(p.Status())
	}
}

func (p *Publisher) count(n *uint64) {
	p.mu.Lock()
	*n++
	p.mu.Unlock()
}

// explain says in a sentence why there is no connection, and what to do.
func (p *access) explain(err error) string {
	var (
		unknown x509.UnknownAuthorityError
		host    x509.HostnameError
		invalid x509.CertificateInvalidError
		noTLS   tls.RecordHeaderError
		netErr  net.Error
	)
	c := &p.cfg
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		if c.User == "" {
			return "the broker wants a user and a password; give them"
		}
		return fmt.Sprintf("the broker refused user %q; check user and password", c.User)
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return fmt.Sprintf("the broker refused client id %q; choose another", c.ClientID)
	case errors.As(err, &unknown):
		if c.CAFile == "" {
			return "the broker's certificate is signed by an unknown authority; give the shop's CA file"
		}
		return fmt.Sprintf("the broker's certificate is not signed by the CA in %s; check which CA signed it", c.CAFile)
	case errors.As(err, &host):
		return fmt.Sprintf("the broker's certificate is for another name (%v); use the name that it has", host)
	case errors.As(err, &invalid):
		return fmt.Sprintf("the broker's certificate can't be used (%v); check its dates and this computer's clock", invalid)
	case p.tls != nil && errors.Is(err, packets.ErrorNetworkError) && (errors.Is(err, io.EOF) || errors.Is(err, syscall.ECONNRESET) || errors.As(err, &noTLS)):
		return fmt.Sprintf("%s broke off the TLS handshake (%v); is that port one with TLS?", c.Broker, err)
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Sprintf("nothing listens at %s; check that the broker runs, and its address", c.Broker)
	case errors.As(err, &netErr) && netErr.Timeout(), errors.Is(err, os.ErrDeadlineExceeded):
		return fmt.Sprintf("no answer from %s in time; check the network and the address", c.Broker)
	}
	return err.Error()
}
