package publish

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// authority is a shop's own CA.
type authority struct {
	t    testing.TB
	dir  string
	file string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t testing.TB) *authority {
	t.Helper()
	a := &authority{t: t, dir: t.TempDir()}
	a.key, a.cert = nil, nil
	a.file, _ = a.issue("ca", &x509.Certificate{Subject: pkix.Name{CommonName: "Shop CA"}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign})
	return a
}

// issue writes a certificate and its key; the first one is the authority's own.
func (a *authority) issue(name string, tmpl *x509.Certificate) (certFile, keyFile string) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.t.Fatal(err)
	}
	tmpl.SerialNumber = big.NewInt(time.Now().UnixNano())
	if tmpl.NotAfter.IsZero() {
		tmpl.NotBefore, tmpl.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	}
	parent, signer := a.cert, a.key
	if parent == nil {
		parent, signer = tmpl, key
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, parent, &key.PublicKey, signer)
	if err != nil {
		a.t.Fatal(err)
	}
	if a.cert == nil {
		a.key = key
		if a.cert, err = x509.ParseCertificate(der); err != nil {
			a.t.Fatal(err)
		}
	}
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		a.t.Fatal(err)
	}
	return a.write(name+".crt", "CERTIFICATE", der), a.write(name+".key", "PRIVATE KEY", raw)
}

func (a *authority) write(name, kind string, der []byte) string {
	file := filepath.Join(a.dir, name)
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		a.t.Fatal(err)
	}
	return file
}

func (a *authority) server(name string, dns string, until time.Time) (cert, key string) {
	c := &x509.Certificate{Subject: pkix.Name{CommonName: name}, DNSNames: []string{dns}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	if dns == "localhost" {
		c.IPAddresses = []net.IP{net.IPv4(127, 0, 0, 1)}
	}
	if !until.IsZero() {
		c.NotBefore, c.NotAfter = until.Add(-time.Hour), until
	}
	return a.issue(name, c)
}

func passwords(t testing.TB) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "passwords")
	if out, err := exec.Command(need(t, "mosquitto_passwd"), "-b", "-c", file, "daemon", "right").CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd: %v %s", err, out)
	}
	return file
}

// TLS, the shop's own CA and a password, against a real broker; and each thing
// that can be wrong says what it is.
func TestTLSAndPassword(t *testing.T) {
	shop, other := newAuthority(t), newAuthority(t)
	cert, key := shop.server("broker", "localhost", time.Time{})
	pw := passwords(t)
	secure := func(cert, key string) *mosquitto {
		return startMosquitto(t, "cafile "+shop.file, "certfile "+cert, "keyfile "+key, "allow_anonymous false", "password_file "+pw)
	}
	m := secure(cert, key)
	good := config("ssl://" + m.addr)
	good.CAFile, good.User, good.Password = shop.file, "daemon", "right"

	t.Run("right", func(t *testing.T) {
		j := &paper{}
		j.add("hone-bay-1", 50)
		p := run(t, good, j, nil)
		drained(t, p)
		tc, err := good.tlsConfig()
		if err != nil {
			t.Fatal(err)
		}
		e := listen(t, good.Broker, func(o *mqtt.ClientOptions) { o.SetTLSConfig(tc).SetUsername("daemon").SetPassword("right") })
		until(t, "alive", func() bool { return len(e.on("alive")) == 3 })
	})

	stranger, sk := shop.server("stranger", "elsewhere.example", time.Time{})
	stale, stk := shop.server("stale", "localhost", time.Now().Add(-time.Hour))
	for name, c := range map[string]struct {
		set  func(*Config)
		want string
	}{
		"password": {func(c *Config) { c.Password = "wrong" }, `refused user "daemon"; check user and password`},
		"nobody":   {func(c *Config) { c.User, c.Password = "", "" }, "wants a user and a password"},
		"ca":       {func(c *Config) { c.CAFile = other.file }, "is not signed by the CA in " + other.file},
		"no ca":    {func(c *Config) { c.CAFile = "" }, "signed by an unknown authority; give the shop's CA file"},
		"name":     {func(c *Config) { c.Broker = "ssl://" + secure(stranger, sk).addr }, "is for another name"},
		"expired":  {func(c *Config) { c.Broker = "ssl://" + secure(stale, stk).addr }, "check its dates and this computer's clock"},
		"nothing":  {func(c *Config) { c.Broker = "ssl://" + freePort(t) }, "nothing listens at ssl://"},
		"plain":    {func(c *Config) { c.Broker = "ssl://" + startMosquitto(t).addr }, "is that port one with TLS?"},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := good
			c.set(&cfg)
			p := run(t, cfg, &paper{}, nil)
			until(t, "the status says: "+c.want, func() bool {
				s := p.Status()
				return !s.Connected && strings.Contains(s.Why, c.want)
			})
		})
	}
}

// A broker that asks for a client certificate gets ours.
func TestClientCertificate(t *testing.T) {
	shop := newAuthority(t)
	cert, key := shop.server("broker", "localhost", time.Time{})
	m := startMosquitto(t, "cafile "+shop.file, "certfile "+cert, "keyfile "+key, "allow_anonymous true", "require_certificate true")
	cfg := config("ssl://" + m.addr)
	cfg.CAFile = shop.file
	cfg.CertFile, cfg.KeyFile = shop.issue("daemon", &x509.Certificate{Subject: pkix.Name{CommonName: "daemon-1"}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}})
	j := &paper{}
	j.add("hone-bay-1", 5)
	drained(t, run(t, cfg, j, nil))
	cfg.CertFile, cfg.KeyFile = "", ""
	p := run(t, cfg, j, nil)
	until(t, "refused without", func() bool { return strings.Contains(p.Status().Why, "certificate required") })
}

// WebSocket is another way to the same broker.
func TestWebSocket(t *testing.T) {
	_, own, b := embedded(t)
	cfg := config("ws://" + b.WebSocketAddr() + "/mqtt")
	own(&cfg)
	j := &paper{}
	j.add("hone-bay-1", 50)
	drained(t, run(t, cfg, j, nil))
}
