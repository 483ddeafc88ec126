package publish

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

// DefaultWindow is how many records may be on their way to the broker without
// an acknowledgement, and so how many may be repeated after a loss. In the flood
// of the whole line 512 gave 15 % more than 128, and 1000 nothing beyond that.
const DefaultWindow = 512

// MaxPayload is the largest message that is sent, in bytes; brokers throw out
// a client that sends more than they take.
const MaxPayload = 200_000

// maxCommand is the largest command that is taken, in bytes.
const maxCommand = 16_384

// Config says where and as whom to publish.
type Config struct {
	Broker   string // tcp://host:1883, ssl://host:8883, ws:// or wss://host:port/path
	Local    Local  // the broker in this process, instead of Broker and what belongs to it; nil: none
	User     string // empty: none
	Password string
	CAFile   string // PEM; the only authorities trusted, empty: those of the system
	CertFile string // PEM; the client's own certificate, with KeyFile
	KeyFile  string
	ClientID string // unique at the broker; also the daemon's level in the topics
	Site     string
	Stations []string
	Journal  string // id of the journal, told in alive
	Version  string // of the program, told in alive
	Commands bool   // take commands from the broker
	Window   int    // records without acknowledgement at most, 0: DefaultWindow
}

// check reports every fault of the configuration.
func (c *Config) check() error {
	var faults []error
	bad := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	if c.Local == nil {
		faults = append(faults, checkBroker(c.Broker))
	}
	level := func(what, s string) {
		if !Level(s) {
			bad("%s %q: want 1 to 64 of A-Z a-z 0-9 _ -, it becomes a level of the topics", what, s)
		}
	}
	level("client id", c.ClientID)
	level("site", c.Site)
	if len(c.Stations) == 0 {
		bad("stations: give at least one")
	}
	for i, s := range c.Stations {
		level("station", s)
		if slices.Contains(c.Stations[:i], s) {
			bad("station %q: named twice", s)
		}
	}
	if len(c.Stations) > 1 && slices.Contains(c.Stations, c.ClientID) {
		bad("client id %q: is also a station; choose another, both are levels of the topics", c.ClientID)
	}
	if c.Window < 0 || c.Window > 1000 {
		bad("window %d: want 1 to 1000, or 0 for %d", c.Window, DefaultWindow)
	}
	if (c.CertFile == "") != (c.KeyFile == "") {
		bad("client certificate: give both the certificate file and the key file")
	}
	if c.Password != "" && c.User == "" {
		bad("password: give the user as well")
	}
	return errors.Join(faults...)
}

func checkBroker(broker string) error {
	u, err := url.Parse(broker)
	switch {
	case err != nil:
		return errors.New("broker: that is no address; want tcp://host:port, ssl://host:port, ws://host:port/path or wss://host:port/path")
	case !slices.Contains([]string{"tcp", "ssl", "ws", "wss"}, u.Scheme):
		return fmt.Errorf("broker %q: want tcp://host:port, ssl://host:port, ws://host:port/path or wss://host:port/path", u.Redacted())
	case u.User != nil:
		return fmt.Errorf("broker %q: give user and password by their own keys, not in the address", u.Redacted())
	case u.Hostname() == "" || u.Port() == "":
		return fmt.Errorf("broker %q: give host and port", broker)
	}
	if n, err := strconv.ParseUint(u.Port(), 10, 16); err != nil || n == 0 {
		return fmt.Errorf("broker %q: want a port number from 1 to 65535", broker)
	}
	return nil
}

// Level reports whether s can be one level of a topic: 1 to 64 of
// A-Z a-z 0-9 _ -, which no broker or bridge gives a meaning of its own.
func Level(s string) bool {
	for _, c := range []byte(s) {
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '_', c == '-':
		default:
			return false
		}
	}
	return len(s) >= 1 && len(s) <= 64
}

// tlsConfig reads the TLS files; nil if the address has no TLS.
func (c *Config) tlsConfig() (*tls.Config, error) {
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

// bare reports whether a password would cross a network in the clear.
func (c *Config) bare() bool {
	u, err := url.Parse(c.Broker)
	if err != nil || c.Password == "" || u.Scheme == "ssl" || u.Scheme == "wss" {
		return false
	}
	ip := net.ParseIP(u.Hostname())
	return u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback())
}
