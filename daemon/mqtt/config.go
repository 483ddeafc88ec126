package mqtt

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"slices"
	"strconv"
)

// Config says how to reach a broker and which user and client to be there.
type Config struct {
	Broker   string // tcp://host:1883, ssl://host:8883, ws:// or wss://host:port/path
	User     string // empty: no user
	Password string
	CAFile   string // PEM; the only authorities to trust; empty: the authorities of the system
	CertFile string // PEM; the client's own certificate, with KeyFile
	KeyFile  string
	ClientID string // unique at the broker
	Waits    Waits  // zero: UsualWaits
}

// Check reports every fault of the configuration. It does not read the files.
func (c *Config) Check() error {
	faults := []error{checkAddress(c.Broker)}
	if (c.CertFile == "") != (c.KeyFile == "") {
		faults = append(faults, errors.New("client certificate: give both the certificate file and the key file"))
	}
	if c.Password != "" && c.User == "" {
		faults = append(faults, errors.New("password: give the user as well"))
	}
	return errors.Join(faults...)
}

func checkAddress(broker string) error {
	u, err := url.Parse(broker)
	switch {
	case err != nil:
		return errors.New("broker: that is no address: give tcp://host:port, ssl://host:port, ws://host:port/path or wss://host:port/path")
	case !slices.Contains([]string{"tcp", "ssl", "ws", "wss"}, u.Scheme):
		return fmt.Errorf("broker %q is not valid: give tcp://host:port, ssl://host:port, ws://host:port/path or wss://host:port/path", u.Redacted())
	case u.User != nil:
		return fmt.Errorf("broker %q: give user and password by their own keys, not in the address", u.Redacted())
	case u.Hostname() == "" || u.Port() == "":
		return fmt.Errorf("broker %q: give host and port", broker)
	}
	if n, err := strconv.ParseUint(u.Port(), 10, 16); err != nil || n == 0 {
		return fmt.Errorf("broker %q is not valid: give a port number from 1 to 65535", broker)
	}
	return nil
}

// TLS reads the files for TLS. It returns nil if the address has no TLS.
func (c *Config) TLS() (*tls.Config, error) {
	u, err := url.Parse(c.Broker)
	if err != nil {
		return nil, err
	}
	if u.Scheme != "ssl" && u.Scheme != "wss" {
		if c.CAFile != "" || c.CertFile != "" {
			return nil, fmt.Errorf("broker %s: has no TLS, but certificate files are given; write ssl:// or wss://", c.Broker)
		}
		return nil, nil
	}
	conf := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: u.Hostname()}
	if c.CAFile != "" {
		pem, err := os.ReadFile(c.CAFile)
		if err != nil {
			return nil, fmt.Errorf("CA file: %w", err)
		}
		conf.RootCAs = x509.NewCertPool()
		if !conf.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("CA file %s: holds no certificate in PEM form", c.CAFile)
		}
	}
	if c.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(c.CertFile, c.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("client certificate: %w", err)
		}
		conf.Certificates = []tls.Certificate{pair}
	}
	return conf, nil
}

// bare reports whether the password would cross a network without encryption.
func (c *Config) bare() bool {
	u, err := url.Parse(c.Broker)
	if err != nil || c.Password == "" || u.Scheme == "ssl" || u.Scheme == "wss" {
		return false
	}
	ip := net.ParseIP(u.Hostname())
	return u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback())
}
