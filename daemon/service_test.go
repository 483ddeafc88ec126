package daemon_test

import (
	"bytes"
	"encoding/binary"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
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
	if level, err := strconv.ParseFloat(string(found[1]), 64); err != nil || level > 1.5 {
		t.Errorf("exposure %s (%v), want at most 1.5\n%s", found[1], err, out)
	}
	lines := strings.Split(text, "\n")
	for _, want := range []string{"Type=notify", "WatchdogSec=30", "IPAddressDeny=any", "TasksMax=512", "LimitNOFILE=8192", "MemoryMax=1G", "StartLimitIntervalSec=0", "SupplementaryGroups=dialout", "DeviceAllow=char-ttyUSB rw", "DeviceAllow=char-ttyACM rw", "DeviceAllow=char-ttyS rw"} {
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

// TestWhatIsStartedAgain checks which ends of the program the unit starts again. A fault of the
// program is started again however it ends: by the Go runtime, which ends a program that panics, and
// one that gets SIGQUIT, with the traces of its goroutines and one and the same code; or by a signal.
// What stays wrong until a person mends it is not.
func TestWhatIsStartedAgain(t *testing.T) {
	unit := serviceUnit(t)
	kept := regexp.MustCompile(`(?m)^RestartPreventExitStatus=(.*)$`).FindStringSubmatch(unit)
	if kept == nil || !strings.Contains(unit, "\nRestart=on-failure\n") {
		t.Fatal("the unit does not say what is started again")
	}
	again := func(code int) bool { return !slices.Contains(strings.Fields(kept[1]), strconv.Itoa(code)) }
	r := daemontest.NewRig(t)
	r.Plug()
	r.Start()
	r.Stop()
	// other returns the path of a configuration whose journal has another number in its head (SQLite
	// database file format, 1.3).
	other := func(name string, at int, number uint32) string {
		t.Helper()
		file, err := os.ReadFile(r.Path("journal/journal.db"))
		if err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(r.Path("fairbore.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		binary.BigEndian.PutUint32(file[at:], number)
		journal, config := r.Path(name+".db"), r.Path(name+".yaml")
		text = bytes.ReplaceAll(text, []byte(r.Path("journal/journal.db")), []byte(journal))
		for path, b := range map[string][]byte{journal: file, config: text} {
			if err := os.WriteFile(path, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		return config
	}
	newer, none := other("newer", 60, 99), other("none", 68, 1) // user_version, application_id
	bad := r.Path("bad.yaml")
	if err := os.WriteFile(bad, []byte("version: 2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r.Start()
	if code, says := r.Exit("run", "-c", r.Path("fairbore.yaml")); !again(code) || code == 0 {
		t.Errorf("while another one runs: exit %d, want one that is started again\n%s", code, says)
	}
	if err := r.Proc.Process.Signal(syscall.SIGQUIT); err != nil {
		t.Fatal(err)
	}
	_ = r.Proc.Wait() // it ends with an error, which ProcessState has
	if code := r.Proc.ProcessState.ExitCode(); !again(code) || code == 0 {
		t.Errorf("after a panic: exit %d, want one that is started again", code)
	}
	for _, c := range []struct {
		name string
		args []string
		says string
	}{
		{"a wrong command line", []string{"run", "--nonsense"}, "nonsense"},
		{"a refused configuration", []string{"run", "-c", bad}, "version"},
		{"a journal of a newer version", []string{"run", "-c", newer}, "newer version"},
		{"a database that is no journal", []string{"run", "-c", none}, "no journal of fairbore"},
	} {
		if code, says := r.Exit(c.args...); again(code) || !strings.Contains(says, c.says) {
			t.Errorf("%s: exit %d, want one that is not started again\n%s", c.name, code, says)
		}
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

// TestServiceManagerHearsHow checks that a service manager is told in a line how the daemon does,
// and of each reload by the clock that it goes by, also of one that a faulty file ends.
func TestServiceManagerHearsHow(t *testing.T) {
	r := daemontest.NewRig(t)
	m := daemontest.NewMosquitto(t, r.Dir, "allow_anonymous true")
	r.Broker = `url: "tcp://` + m.Addr + `"`
	r.Plug()
	socket := r.Path("notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	t.Setenv("NOTIFY_SOCKET", socket)
	r.Start()
	hears(t, manager, "READY=1")
	hears(t, manager, `STATUS=1 station, recording`)
	m.Kill()
	hears(t, manager, `STATUS=1 station, recording; broker lost since [0-9:]{5}: .+`)
	r.Unplug()
	hears(t, manager, `STATUS=1 station, recording; no gauge at bay2 since [0-9:]{5}; broker lost since [0-9:]{5}: .+`)
	if r.Log.String() == "" || !strings.Contains(r.Log.String(), `{"level":"warn","connected":false,`) {
		t.Errorf("the loss of the broker is no warning in the log:\n%s", r.Log.String())
	}
	reload := func() {
		t.Helper()
		if err := r.Proc.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
		hears(t, manager, `RELOADING=1\nMONOTONIC_USEC=[1-9][0-9]+`)
		hears(t, manager, "READY=1")
	}
	reload()
	if err := os.WriteFile(r.Path("fairbore.yaml"), []byte("version: 2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	reload()
	r.Stop()
	hears(t, manager, "STOPPING=1")
}

// hears waits until a service manager is told a state, a regular expression. It ignores the pings,
// and the lines on how the daemon does, that come before.
func hears(t testing.TB, manager *net.UnixConn, want string) {
	t.Helper()
	buf := make([]byte, 1024)
	if err := manager.SetReadDeadline(time.Now().Add(30 * time.Second)); err != nil {
		t.Fatal(err)
	}
	for seen := []string(nil); ; {
		n, err := manager.Read(buf)
		if err != nil {
			t.Fatalf("waiting for %s after %q: %v", want, seen, err)
		}
		got := string(buf[:n])
		switch {
		case regexp.MustCompile("^(?:" + want + ")$").MatchString(got):
			return
		case got != "WATCHDOG=1" && !strings.HasPrefix(got, "STATUS="):
			t.Fatalf("%q came in place of %s", got, want)
		}
		seen = append(seen, got)
	}
}
