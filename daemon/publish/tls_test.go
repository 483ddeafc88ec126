package publish

import (
	"crypto/x509"
	"crypto/x509/pkix"
	"net"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"fairbore/daemon/publishtest"
)

// TLS, the shop's own CA and a password, against a real broker; and each thing
// that can be wrong says what it is.
func TestTLSAndPassword(t *testing.T) {
	shop, other := publishtest.NewAuthority(t), publishtest.NewAuthority(t)
	cert, key := shop.Server("broker", "localhost", time.Time{})
	pw := publishtest.Passwords(t)
	secure := func(cert, key string) *publishtest.Mosquitto {
		return publishtest.StartMosquitto(t, "cafile "+shop.File, "certfile "+cert, "keyfile "+key, "allow_anonymous false", "password_file "+pw)
	}
	m := secure(cert, key)
	good := config("ssl://" + m.Addr)
	good.CAFile, good.User, good.Password = shop.File, "daemon", "right"

	t.Run("right", func(t *testing.T) {
		j := &publishtest.Journal{}
		j.Add("hone-bay-1", 50)
		p := run(t, good, j, nil)
		drained(t, p)
		tc, err := good.TLS()
		if err != nil {
			t.Fatal(err)
		}
		e := listen(t, good.Broker, func(o *paho.ClientOptions) { o.SetTLSConfig(tc).SetUsername("daemon").SetPassword("right") })
		publishtest.Until(t, "alive", func() bool { return len(e.on("alive")) == 3 })
	})

	stranger, sk := shop.Server("stranger", "elsewhere.example", time.Time{})
	stale, stk := shop.Server("stale", "localhost", time.Now().Add(-time.Hour))
	for name, c := range map[string]struct {
		set  func(*Config)
		want string
	}{
		"password": {func(c *Config) { c.Password = "wrong" }, "mqtt.user(daemon)"},
		"nobody":   {func(c *Config) { c.User, c.Password = "", "" }, "mqtt.nobody("},
		"ca":       {func(c *Config) { c.CAFile = other.File }, "mqtt.ca(" + other.File},
		"no ca":    {func(c *Config) { c.CAFile = "" }, "mqtt.no_ca("},
		"name":     {func(c *Config) { c.Broker = "ssl://" + secure(stranger, sk).Addr }, "mqtt.name("},
		"expired":  {func(c *Config) { c.Broker = "ssl://" + secure(stale, stk).Addr }, "mqtt.certificate("},
		"nothing":  {func(c *Config) { c.Broker = "ssl://" + publishtest.FreePort(t) }, "mqtt.refused(ssl://"},
		"plain":    {func(c *Config) { c.Broker = "ssl://" + publishtest.StartMosquitto(t).Addr }, "mqtt.no_tls("},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := good
			c.set(&cfg)
			p := run(t, cfg, &publishtest.Journal{}, nil)
			publishtest.Until(t, "the status says: "+c.want, func() bool {
				s := p.Status()
				return !s.Connected && strings.HasPrefix(s.Why.Error(), c.want)
			})
		})
	}
}

// A broker that asks for a client certificate gets ours.
func TestClientCertificate(t *testing.T) {
	shop := publishtest.NewAuthority(t)
	cert, key := shop.Server("broker", "localhost", time.Time{})
	m := publishtest.StartMosquitto(t, "cafile "+shop.File, "certfile "+cert, "keyfile "+key, "allow_anonymous true", "require_certificate true")
	cfg := config("ssl://" + m.Addr)
	cfg.CAFile = shop.File
	cfg.CertFile, cfg.KeyFile = shop.Issue("daemon", &x509.Certificate{Subject: pkix.Name{CommonName: "daemon-1"}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}})
	j := &publishtest.Journal{}
	j.Add("hone-bay-1", 5)
	drained(t, run(t, cfg, j, nil))
	cfg.CertFile, cfg.KeyFile = "", ""
	p := run(t, cfg, j, nil)
	publishtest.Until(t, "refused without", func() bool { return strings.Contains(p.Status().Why.Error(), "certificate required") })
}

// WebSocket is another way to a broker.
func TestWebSocket(t *testing.T) {
	ws := publishtest.FreePort(t)
	_, port, _ := net.SplitHostPort(ws)
	publishtest.StartMosquitto(t, "allow_anonymous true", "listener "+port+" 127.0.0.1", "protocol websockets")
	cfg := config("ws://" + ws + "/mqtt")
	j := &publishtest.Journal{}
	j.Add("hone-bay-1", 50)
	drained(t, run(t, cfg, j, nil))
}
