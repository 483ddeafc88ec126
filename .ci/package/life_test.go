package packaging

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"fairbore/daemon/daemontest"
)

// machine is a Debian of its own, with the service manager and a network of its own. It is the
// smallest that Debian makes: what it lacks, the package must name.
type machine struct {
	t      *testing.T
	root   string
	leader int // process of its service manager
}

// boot makes a machine and starts it, until the test ends.
func boot(t *testing.T) *machine {
	t.Helper()
	daemontest.Needs(t, "mmdebstrap", "systemd-nspawn", "nsenter")
	if os.Getuid() != 0 {
		daemontest.Missing(t, "only root may boot a machine")
	}
	release, err := os.ReadFile("/etc/os-release")
	if err != nil {
		t.Fatal(err)
	}
	suite := regexp.MustCompile(`(?m)^VERSION_CODENAME=(\w+)$`).FindSubmatch(release)
	if suite == nil {
		daemontest.Missing(t, "this is no Debian")
	}
	sources := "/etc/apt/sources.list.d/debian.sources"
	if _, err := os.Stat(sources); err != nil {
		sources = "/etc/apt/sources.list"
	}
	m := &machine{t: t, root: filepath.Join(t.TempDir(), "root")}
	began := time.Now()
	output(t, "mmdebstrap", "--mode=root", "--variant=essential", "--include=systemd", "--dpkgopt=force-unsafe-io", string(suite[1]), m.root, sources)
	t.Logf("a Debian in %.0f s", time.Since(began).Seconds())
	spawn := exec.Command("systemd-nspawn", "--quiet", "--directory="+m.root, "--boot", "--register=no", "--keep-unit", "--private-network", "--link-journal=no", "--machine=fairbore-packages")
	var log daemontest.LockedBuffer
	spawn.Stdout, spawn.Stderr = &log, &log
	if err := spawn.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("of the machine:\n%s", log.String())
		}
		_ = spawn.Process.Signal(syscall.SIGTERM)
		hard := time.AfterFunc(time.Minute, func() { _ = spawn.Process.Kill() })
		defer hard.Stop()
		_ = spawn.Wait() // it says how the machine went down, which is no matter here
	})
	m.eventually("the machine to start", func() bool {
		children, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%[1]d/children", spawn.Process.Pid))
		if err != nil {
			return false
		}
		for _, child := range strings.Fields(string(children)) {
			name, err := os.ReadFile("/proc/" + child + "/comm")
			if pid, numeral := strconv.Atoi(child); err == nil && numeral == nil && string(name) == "systemd\n" {
				m.leader = pid
			}
		}
		if m.leader == 0 {
			return false
		}
		state, _ := m.try("systemctl", "is-system-running") // fails unless all is well; "degraded" is started too
		return strings.HasPrefix(state, "running") || strings.HasPrefix(state, "degraded")
	})
	return m
}

func (m *machine) eventually(what string, ok func() bool) {
	m.t.Helper()
	for end := time.Now().Add(2 * time.Minute); !ok(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			said, _ := m.try("journalctl", "--no-pager", "-u", "fairbore", "-n", "50")
			m.t.Fatalf("waited for %s\n%s", what, said)
		}
	}
}

// try runs a program on the machine.
func (m *machine) try(args ...string) (string, error) {
	args = append([]string{"--target=" + strconv.Itoa(m.leader), "--all", "env", "-i", "PATH=/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL=C.UTF-8", "DEBIAN_FRONTEND=noninteractive"}, args...)
	out, err := exec.Command("nsenter", args...).CombinedOutput()
	return string(out), err
}

// run is like try, for what must succeed.
func (m *machine) run(args ...string) string {
	m.t.Helper()
	out, err := m.try(args...)
	if err != nil {
		m.t.Fatalf("%s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return out
}

// says checks what a program on the machine writes, whether or not it succeeds.
func (m *machine) says(want string, args ...string) {
	m.t.Helper()
	if out, _ := m.try(args...); strings.TrimSpace(out) != want {
		m.t.Errorf("%s: %q, want %q", strings.Join(args, " "), out, want)
	}
}

// dpkg runs dpkg with packages that it copies to the machine.
func (m *machine) dpkg(action string, names ...string) string {
	m.t.Helper()
	for i, name := range names {
		if filepath.IsAbs(name) {
			b, err := os.ReadFile(name)
			if err == nil {
				err = os.WriteFile(filepath.Join(m.root, "root", filepath.Base(name)), b, 0o644)
			}
			if err != nil {
				m.t.Fatal(err)
			}
			names[i] = "/root/" + filepath.Base(name)
		}
	}
	return m.run(append([]string{"dpkg", action}, names...)...)
}

// within does something in the machine's network.
func (m *machine) within(do func() error) error {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	ours, err := os.Open("/proc/thread-self/ns/net")
	if err != nil {
		return err
	}
	defer ours.Close()
	theirs, err := os.Open(fmt.Sprintf("/proc/%d/ns/net", m.leader))
	if err != nil {
		return err
	}
	defer theirs.Close()
	if err := unix.Setns(int(theirs.Fd()), unix.CLONE_NEWNET); err != nil {
		return err
	}
	err = do()
	return errors.Join(err, unix.Setns(int(ours.Fd()), unix.CLONE_NEWNET))
}

// listen listens in the machine's network until the test ends.
func (m *machine) listen(addr string) (at net.Listener) {
	m.t.Helper()
	if err := m.within(func() (err error) {
		at, err = net.Listen("tcp", addr)
		return err
	}); err != nil {
		m.t.Fatal(err)
	}
	m.t.Cleanup(func() { at.Close() })
	return at
}

// pass passes connections on to an address of this network.
func pass(from net.Listener, to string) {
	go func() {
		for {
			a, err := from.Accept()
			if err != nil {
				return
			}
			b, err := net.Dial("tcp", to)
			if err != nil {
				a.Close()
				continue
			}
			for _, way := range [][2]net.Conn{{a, b}, {b, a}} {
				go func() {
					_, _ = io.Copy(way[0], way[1]) // until either end has gone away
					a.Close()
					b.Close()
				}()
			}
		}
	}()
}

// browse has the test's requests go to the machine.
func (m *machine) browse() {
	usual := http.DefaultTransport
	http.DefaultTransport = &http.Transport{DisableKeepAlives: true, DialContext: func(_ context.Context, network, addr string) (c net.Conn, err error) {
		err = m.within(func() (err error) {
			c, err = net.Dial(network, addr)
			return err
		})
		return c, err
	}}
	m.t.Cleanup(func() { http.DefaultTransport = usual })
}

// itsLife installs the package on a machine, sets it up, upgrades it while a gauge sends, removes it,
// installs it again and purges it.
func itsLife(t *testing.T, now *made) {
	daemontest.Needs(t, "mosquitto", "mosquitto_sub")
	m := boot(t)
	next := clone(t)
	commit := exec.Command("git", "-C", filepath.Join(next.dir, "source"), "-c", "user.name=test", "-c", "user.email=test@fairbore.invalid", "commit", "-q", "--allow-empty", "-m", "next")
	commit.Env = append(os.Environ(), "GIT_COMMITTER_DATE="+time.Now().Add(time.Hour).Format(time.RFC3339))
	if out, err := commit.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	next.make(t, runtime.GOARCH)
	m.browse()
	r := daemontest.NewRig(t)
	r.Web = "127.0.0.1:8080"
	const file, journal = "/etc/fairbore/fairbore.yaml", "/var/lib/fairbore/journal/journal.db"

	m.dpkg("--install", now.by[runtime.GOARCH])
	m.says("2770 root fairbore", "stat", "-c", "%a %U %G", "/etc/fairbore")
	m.says("640 root fairbore", "stat", "-c", "%a %U %G", file)
	m.says("enabled", "systemctl", "is-enabled", "fairbore")
	m.says("active", "systemctl", "is-active", "fairbore")
	if says := m.run("fairbore", "--version"); !strings.Contains(says, now.commit) {
		t.Errorf("version of commit %s: %s", now.commit, says)
	}
	m.run("fairbore", "check", file)
	if code, body := r.Get("/"); code != http.StatusOK || !strings.Contains(body, "<html") {
		t.Errorf("the page of a fresh machine: %d\n%s", code, body)
	}

	// A station, written as the daemon does it: by its user, in its view of the disk.
	gauge(t, r, m.listen("127.0.0.1:4001"))
	broker := daemontest.NewMosquitto(t, r.Dir, "allow_anonymous true")
	told := daemontest.Subscribe(t, broker.Addr)
	pass(m.listen("127.0.0.1:1883"), broker.Addr)
	r.Broker = `url: "tcp://127.0.0.1:1883"`
	text, err := os.ReadFile(r.Write())
	if err != nil {
		t.Fatal(err)
	}
	set := strings.ReplaceAll(string(text), r.Dir, "/var/lib/fairbore")
	main := strings.TrimSpace(m.run("systemctl", "show", "-P", "MainPID", "fairbore"))
	m.run("nsenter", "--target="+main, "--mount", "setpriv", "--reuid=fairbore", "--regid=fairbore", "--clear-groups",
		"sh", "-c", `umask 0027; printf %s "$1" >/etc/fairbore/new && mv /etc/fairbore/new "$2"`, "sh", set, file)
	m.says("640 fairbore fairbore", "stat", "-c", "%a %U %G", file)
	m.run("systemctl", "restart", "fairbore")
	m.eventually("the station", func() bool { return r.Bore() != nil })
	r.Master()

	// The upgrade, while the gauge sends.
	done, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		for i := 0; ; i++ {
			select {
			case <-done:
				return
			case <-time.After(20 * time.Millisecond):
				r.Gauge.Send(daemontest.Frame(i))
			}
		}
	}()
	readings := func() int { return len(told.Records(t, "reading")) }
	m.eventually("readings before the upgrade", func() bool { return readings() > 50 })
	before := m.run("systemctl", "show", "-P", "MainPID", "fairbore")
	m.dpkg("--install", next.by[runtime.GOARCH])
	m.says("active", "systemctl", "is-active", "fairbore")
	if after := m.run("systemctl", "show", "-P", "MainPID", "fairbore"); after == before {
		t.Error("the upgrade has not restarted the daemon")
	}
	m.eventually("the new version", func() bool {
		code, body := r.Get("/healthz")
		return code == http.StatusOK && strings.Contains(body, next.commit[:12])
	})
	upgraded := readings()
	m.eventually("readings after the upgrade", func() bool { return readings() > upgraded+50 })
	close(done)
	<-ended
	m.says("640 fairbore fairbore", "stat", "-c", "%a %U %G", file)
	if got := m.run("cat", file); got != set {
		t.Errorf("the upgrade has changed the set-up:\n%s", got)
	}
	m.run("systemctl", "stop", "fairbore")
	m.run("fairbore", "verify", journal)
	r.Store = filepath.Join(m.root, journal)
	written := r.JournalReadings()
	all := told.Records(t, "reading")
	for _, rec := range all {
		if written[rec.Seq] == 0 {
			t.Errorf("reading %d was told of, and is not in the journal", rec.Seq)
		}
	}
	t.Logf("%d readings told of, %d of them before the upgrade; %d in the journal", len(all), upgraded, len(written))

	// Somebody who disabled the service keeps it so.
	m.run("systemctl", "disable", "fairbore")
	m.dpkg("--install", next.by[runtime.GOARCH])
	m.says("disabled", "systemctl", "is-enabled", "fairbore")
	m.says("inactive", "systemctl", "is-active", "fairbore")
	m.run("systemctl", "enable", "--now", "fairbore")

	m.dpkg("--remove", "fairbore")
	m.says("inactive", "systemctl", "is-active", "fairbore")
	if got := m.run("cat", file); got != set {
		t.Errorf("the removal has changed the set-up:\n%s", got)
	}
	m.dpkg("--install", next.by[runtime.GOARCH])
	m.says("enabled", "systemctl", "is-enabled", "fairbore")
	m.eventually("the station again", func() bool { return r.Bore() != nil })
	if says := m.dpkg("--purge", "fairbore"); !strings.Contains(says, "stay in /var/lib/fairbore") {
		t.Errorf("the purge does not say what stays:\n%s", says)
	}
	if out, err := m.try("ls", "/etc/fairbore"); err == nil {
		t.Errorf("the purge has left the configuration: %s", out)
	}
	if left := r.JournalReadings(); len(left) < len(written) {
		t.Errorf("%d readings after the purge, %d before", len(left), len(written))
	}
}
