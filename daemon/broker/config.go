package broker

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"slices"
	"time"

	"golang.org/x/crypto/bcrypt"

	"fairbore/daemon/limit"
)

// The default bounds.
const (
	usualListen  = "127.0.0.1:1883"
	usualClients = 100
	usualExpiry  = 4 * time.Hour
	// maxPacket is the largest packet that is accepted, in bytes.
	maxPacket = 256 * 1024
)

// Config says where to listen and who may connect.
type Config struct {
	Listen    string // host:port, empty: usualListen; port 0 picks a free one
	CertFile  string // PEM; with KeyFile, TLS
	KeyFile   string
	Guesses   *limit.Guesses // the budget of wrong passwords; nil: one of its own
	Site      string         // the site whose topics are served
	Anonymous bool           // let clients without a user read
	Users     []User
	Clients   int           // connected at most, 0: usualClients
	Expiry    time.Duration // how long the session of an absent client is kept at most, 0: usualExpiry
}

// User is somebody other than the daemon who may log in.
type User struct {
	Name    string
	Hash    string // of the password, made by [Hash]
	Publish bool   // may publish what stations say
	Command bool   // may send commands to stations
}

// LeastPassword is the least number of characters of a password. A shorter one may be found from its
// hash, by who has read that, in days (common practice: 12 or more).
const LeastPassword = 12

// Hash returns the hash of a password for the configuration (bcrypt, cost 10).
// A password may have 1 to 72 bytes.
func Hash(password string) (string, error) {
	if password == "" {
		return "", errors.New("password is empty")
	}
	h, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.DefaultCost)
	if err != nil {
		return "", fmt.Errorf("password: %w", err)
	}
	return string(h), nil
}

// check returns every fault, and fills in the defaults.
func (c *Config) check() error {
	var faults []error
	bad := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	if c.Listen == "" {
		c.Listen = usualListen
	}
	if c.Clients == 0 {
		c.Clients = usualClients
	}
	if c.Expiry == 0 {
		c.Expiry = usualExpiry
	}
	if _, _, err := net.SplitHostPort(c.Listen); err != nil {
		bad("listen address %q is not valid: give host:port (%v)", c.Listen, err)
	}
	if c.Guesses == nil {
		c.Guesses = limit.NewGuesses(time.Now)
	}
	if c.Site == "" {
		bad("site: give the name of the site")
	}
	if c.Clients < 1 || c.Clients > 10_000 {
		bad("clients %d is out of range: give 1 to 10000", c.Clients)
	}
	if c.Expiry < time.Minute || c.Expiry > 72*time.Hour {
		bad("session expiry %s is out of range: give 1 min to 72 h", c.Expiry)
	}
	if (c.CertFile == "") != (c.KeyFile == "") {
		bad("TLS: give both the certificate file and the key file")
	}
	for i, u := range c.Users {
		if u.Name == "" {
			bad("user %q: give a name", u.Name)
		}
		if slices.ContainsFunc(c.Users[:i], func(o User) bool { return o.Name == u.Name }) {
			bad("user %q: named twice", u.Name)
		}
		if _, err := bcrypt.Cost([]byte(u.Hash)); err != nil {
			bad("user %q: the password must be given as a hash, not as text: %v", u.Name, err)
		}
	}
	return errors.Join(faults...)
}

func (c *Config) tlsConfig() (*tls.Config, error) {
	if c.CertFile == "" {
		return nil, nil
	}
	pair, err := tls.LoadX509KeyPair(c.CertFile, c.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("broker certificate: %w", err)
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}}, nil
}

// Matches reports whether a password is that of a hash as [Hash] makes it.
func Matches(hash, password string) bool {
	return bcrypt.CompareHashAndPassword([]byte(hash), []byte(password)) == nil
}
