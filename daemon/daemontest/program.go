package daemontest

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
)

// Needs skips a test if a program that it needs is not installed. With FAIRBORE_ALL set, as in
// .ci/test, it fails instead.
func Needs(t testing.TB, programs ...string) {
	t.Helper()
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			Missing(t, p+" is not installed")
		}
	}
}

// Missing skips a test for a reason, or fails it if nothing may be skipped.
func Missing(t testing.TB, why string) {
	t.Helper()
	if os.Getenv("FAIRBORE_ALL") != "" {
		t.Fatal(why)
	}
	t.Skip(why)
}

var build = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "fairbore-test-")
	if err != nil {
		return "", err
	}
	bin := filepath.Join(dir, "fairbore")
	out, err := exec.Command("go", "build", "-o", bin, "fairbore/cmd/fairbore").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("build: %w\n%s", err, out)
	}
	return bin, nil
})

// Main runs the tests of a package, and removes the program that they were run with.
func Main(m *testing.M) {
	code := m.Run()
	if bin, err := build(); err == nil { // a test has built it, or it is built now and removed at once
		os.RemoveAll(filepath.Dir(bin))
	}
	os.Exit(code)
}

// Binary returns the path of the program, built once for the tests of a package.
func Binary(t testing.TB) string {
	t.Helper()
	bin, err := build()
	if err != nil {
		t.Fatal(err)
	}
	return bin
}

// FreePort returns a local address at which nobody listens.
func FreePort(t testing.TB) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}
