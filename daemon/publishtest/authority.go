package publishtest

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
	"testing"
	"time"
)

// Authority is the certificate authority of a shop.
type Authority struct {
	t    testing.TB
	dir  string
	File string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

// NewAuthority makes an authority and writes its certificate to a file.
func NewAuthority(t testing.TB) *Authority {
	t.Helper()
	a := &Authority{t: t, dir: t.TempDir()}
	a.key, a.cert = nil, nil
	a.File, _ = a.Issue("ca", &x509.Certificate{Subject: pkix.Name{CommonName: "Shop CA"}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign})
	return a
}

// Issue writes a certificate and its key. The first certificate is the authority's own, and it
// signs all others.
func (a *Authority) Issue(name string, tmpl *x509.Certificate) (certFile, keyFile string) {
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

func (a *Authority) write(name, kind string, der []byte) string {
	file := filepath.Join(a.dir, name)
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		a.t.Fatal(err)
	}
	return file
}

// Server writes the certificate of a server and its key. The certificate is valid until that time,
// or for an hour from now if until is zero.
func (a *Authority) Server(name string, dns string, until time.Time) (cert, key string) {
	c := &x509.Certificate{Subject: pkix.Name{CommonName: name}, DNSNames: []string{dns}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	if dns == "localhost" {
		c.IPAddresses = []net.IP{net.IPv4(127, 0, 0, 1)}
	}
	if !until.IsZero() {
		c.NotBefore, c.NotAfter = until.Add(-time.Hour), until
	}
	return a.Issue(name, c)
}

// Passwords writes a password file for a broker, with user daemon and password right. It returns
// the name of the file.
func Passwords(t testing.TB) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "passwords")
	if out, err := exec.Command(Need(t, "mosquitto_passwd"), "-b", "-c", file, "daemon", "right").CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd: %v %s", err, out)
	}
	return file
}
