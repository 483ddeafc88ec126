package daemon_test

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"fairbore/daemon/daemontest"
)

func serviceUnit(t testing.TB) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "systemd", "fairbore.service"))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestServiceUnit checks that systemd accepts the unit, that the unit exposes little (by systemd's
// own measure, 0 best to 10 worst), and that the serial lines stay within reach.
func TestServiceUnit(t *testing.T) {
	daemontest.Needs(t, "systemd-analyze")
	text := serviceUnit(t)
	unit := filepath.Join(t.TempDir(), "fairbore.service") // the unit, with the path of the program under test
	if err := os.WriteFile(unit, []byte(strings.ReplaceAll(text, "/usr/bin/fairbore", daemontest.Binary(t))), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("systemd-analyze", "verify", "--man=no", unit).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
	out, err := exec.Command("systemd-analyze", "security", "--offline=true", "--no-pager", unit).CombinedOutput()
	found := regexp.MustCompile(`Overall exposure level for fairbore.service: ([0-9.]+)`).FindSubmatch(out)
	if err != nil || found == nil {
		t.Fatalf("systemd-analyze security: %v\n%s", err, out)
	}
	if level, err := strconv.ParseFloat(string(found[1]), 64); err != nil || level > 1.6 {
		t.Errorf("exposure %s (%v), want at most 1.6\n%s", found[1], err, out)
	}
	lines := strings.Split(text, "\n")
	for _, want := range []string{"Type=notify", "WatchdogSec=30", "SupplementaryGroups=dialout", "DeviceAllow=char-ttyUSB rw", "DeviceAllow=char-ttyACM rw", "DeviceAllow=char-ttyS rw"} {
		if !slices.Contains(lines, want) {
			t.Errorf("the unit lacks %s", want)
		}
	}
	if strings.Contains(text, "\nPrivateDevices=") {
		t.Error("PrivateDevices would hide the serial lines")
	}
}

// TestServiceUser checks that sysusers.d makes the user of the unit.
func TestServiceUser(t *testing.T) {
	daemontest.Needs(t, "systemd-sysusers")
	file, err := filepath.Abs(filepath.Join("..", "systemd", "fairbore.sysusers"))
	if err != nil {
		t.Fatal(err)
	}
	root := t.TempDir()
	if err := os.MkdirAll(filepath.Join(root, "etc"), 0o755); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command("systemd-sysusers", "--root="+root, "-")
	c.Stdin = strings.NewReader(string(text))
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("systemd-sysusers: %v\n%s", err, out)
	}
	users, err := os.ReadFile(filepath.Join(root, "etc", "passwd"))
	if err != nil || !strings.Contains(string(users), "\nfairbore:") && !strings.HasPrefix(string(users), "fairbore:") {
		t.Errorf("no user fairbore was made: %v\n%s", err, users)
	}
}

// TestServiceManagerHears checks that a service manager is told when the daemon is ready, that it
// is alive, and that it stops (sd_notify(3), sd_watchdog_enabled(3)).
func TestServiceManagerHears(t *testing.T) {
	r := daemontest.NewRig(t)
	r.Plug()
	socket := r.Path("notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	t.Setenv("NOTIFY_SOCKET", socket)
	t.Setenv("WATCHDOG_USEC", "300000")
	r.Start()
	hears(t, manager, "READY=1")
	hears(t, manager, "WATCHDOG=1")
	hears(t, manager, "WATCHDOG=1")
	r.Stop()
	hears(t, manager, "STOPPING=1")
}

// hears waits until a service manager is told a state. It ignores the pings that come before.
func hears(t testing.TB, manager *net.UnixConn, want string) {
	t.Helper()
	buf := make([]byte, 256)
	if err := manager.SetReadDeadline(time.Now().Add(30 * time.Second)); err != nil {
		t.Fatal(err)
	}
	for {
		n, err := manager.Read(buf)
		if err != nil {
			t.Fatalf("waiting for %s: %v", want, err)
		}
		switch got := string(buf[:n]); {
		case got == want:
			return
		case got != "WATCHDOG=1":
			t.Fatalf("%q came in place of %s", got, want)
		}
	}
}
