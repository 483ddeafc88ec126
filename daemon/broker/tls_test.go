package broker

import (
	"context"
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

	"fairbore/daemon/daemontest"
)

// certificate writes a certificate for localhost, signed by itself, and its key.
func certificate(t *testing.T) (cert, key string) {
	t.Helper()
	secret, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"}, IsCA: true,
		BasicConstraintsValid: true, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &secret.PublicKey, secret)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(secret)
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(t.TempDir(), "cert.pem"), filepath.Join(t.TempDir(), "key.pem")
	for file, block := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: private}} {
		if err := os.WriteFile(file, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key
}

// run runs a program to its end, with what it reads, and returns what it says.
func run(t *testing.T, reads, name string, args ...string) (string, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Stdin = strings.NewReader(reads)
	out, err := cmd.CombinedOutput()
	return string(out), err
}

// With a certificate the broker speaks TLS 1.2 and 1.3 and nothing else, as openssl and mosquitto see
// it. A password and a message come through.
func TestTLS(t *testing.T) {
	daemontest.Needs(t, "openssl", "mosquitto_pub")
	cert, key := certificate(t)
	b := start(t, Config{CertFile: cert, KeyFile: key})
	_, port, _ := net.SplitHostPort(b.Addr())
	for version, want := range map[string]string{
		"-tls1_3": "Verify return code: 0 (ok)", "-tls1_2": "Verify return code: 0 (ok)", "-tls1_1": "alert",
	} {
		out, err := run(t, "", "openssl", "s_client", "-connect", b.Addr(), "-servername", "localhost", "-verify_hostname", "localhost", "-CAfile", cert, "-cipher", "ALL@SECLEVEL=0", version)
		if !strings.Contains(out, want) {
			t.Errorf("%s: %v: %s", version, err, out)
		}
	}
	var got box
	if err := b.Subscribe(topic+"+", func(topic string, payload []byte, _ bool) {
		got.mu.Lock()
		defer got.mu.Unlock()
		got.got = append(got.got, topic+" "+string(payload))
	}); err != nil {
		t.Fatal(err)
	}
	for _, version := range []string{"mqttv31", "mqttv311", "mqttv5"} {
		for _, qos := range []string{"0", "1", "2"} {
			if out, err := run(t, "", "mosquitto_pub", "-h", "localhost", "-p", port, "--cafile", cert, "-V", version, "-u", other, "-P", otherSecret, "-q", qos, "-t", topic+"event", "-m", version+qos); err != nil {
				t.Errorf("%s at QoS %s: %v: %s", version, qos, err, out)
			}
			want := topic + "event " + version + qos
			until(t, want, func() bool { return contains(got.all(), want) })
		}
	}
	if out, err := run(t, "", "mosquitto_pub", "-h", "localhost", "-p", port, "-u", other, "-P", otherSecret, "-t", topic+"event", "-m", "x"); err == nil {
		t.Errorf("a client without TLS got in: %s", out)
	}
}
