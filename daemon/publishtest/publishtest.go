// Package publishtest has what the tests of publishing and watching need: brokers, connections that
// fail, certificate authorities, and a journal in memory.
package publishtest

import (
	"fmt"
	mrand "math/rand/v2"
	"net"
	"os/exec"
	"testing"
	"time"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/mqtt"
)

// Need returns the path of a program. Without the program it skips the test, or fails it if
// FAIRBORE_ALL is set.
func Need(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		daemontest.Missing(t, name+" is not in PATH")
	}
	return path
}

// Until polls a condition until it holds. It fails the test after 20 s.
func Until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("timed out waiting until %s", what)
		}
	}
}

// FreePort returns a free address. Its port is below the ports that outgoing connections use, so
// that no such connection takes the port before the broker starts.
func FreePort(t testing.TB) string {
	t.Helper()
	for {
		addr := fmt.Sprintf("127.0.0.1:%d", 20_000+mrand.N(12_000))
		if l, err := net.Listen("tcp", addr); err == nil {
			l.Close()
			return addr
		}
	}
}

// Quick returns the usual waits, made short for tests.
func Quick() mqtt.Waits {
	p := mqtt.UsualWaits()
	p.First, p.Most, p.Settled = 10*time.Millisecond, 100*time.Millisecond, 2*time.Second
	p.Answer, p.Write, p.KeepAlive, p.Ping = 1500*time.Millisecond, time.Second, time.Second, time.Second
	return p
}
