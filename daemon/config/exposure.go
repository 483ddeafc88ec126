package config

import (
	"fmt"
	"io/fs"
	"net"
	"net/netip"
)

// Exposed returns what the network may do by this configuration without the file saying that it is
// meant, each as a [Fault]. A program that serves the network must not start with any.
func (c *Config) Exposed() []error { return c.exposed }

// exposure notes what is exposed. What anonymous clients of the embedded broker may do is not among
// it: they read and nothing else, which is what its key says.
func (l *loader) exposure(c *Config) {
	note := func(key, format string, args ...any) {
		c.exposed = append(c.exposed, l.at(key, format, args...))
	}
	w, e := &c.Web, &c.Broker.Embedded
	if w.Hash == "" && w.Actions && !w.Open {
		switch {
		case reached(w.Listen):
			note("web.listen", "%s is reached from the network, and anybody there may act: give web.hash, or set web.actions to false, or web.open to true if that is meant", w.Listen)
		case w.Listen != "" && len(w.Proxies) > 0:
			note("web.proxies", "anybody who comes through a proxy may act: give web.hash, or set web.actions to false, or web.open to true if that is meant")
		}
	}
	if reached(e.Listen) && len(e.Users) > 0 && e.Cert == "" && !e.Unencrypted {
		note("broker.embedded.listen", "passwords of users cross the network to %s unencrypted: give cert_file and key_file, or set broker.embedded.unencrypted to true if that is meant", e.Listen)
	}
}

// reached reports whether an address to listen on is reached from other machines.
func reached(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	ip, notIP := netip.ParseAddr(host)
	return err == nil && host != "localhost" && (notIP != nil || !ip.IsLoopback())
}

// Readable says that a file of configuration with a hash may be read by every user of the machine,
// and what to do; nil if it is not so. A hash is no password, but a weak password can be found from
// it.
func (c *Config) Readable(file string, mode fs.FileMode) error {
	hash := c.Web.Hash != ""
	for i := range c.Broker.Embedded.Users {
		hash = hash || c.Broker.Embedded.Users[i].Hash != ""
	}
	if !hash || mode.Perm()&0o004 == 0 {
		return nil
	}
	return fmt.Errorf("every user of this machine may read %s, which has the hash of a passphrase: chown root:fairbore %s; chmod 0640 %s", file, file, file)
}
