package publishtest

import (
	"context"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/rs/zerolog"
	"golang.org/x/crypto/bcrypt"

	"fairbore/daemon/broker"
	"fairbore/daemon/mqtt"
)

// Mosquitto is a real broker that can be killed and started again at the same address.
type Mosquitto struct {
	t    testing.TB
	Addr string
	conf string
	cmd  *exec.Cmd
}

// StartMosquitto starts a broker. extra are more lines of its configuration; without them anybody
// may connect.
func StartMosquitto(t testing.TB, extra ...string) *Mosquitto {
	t.Helper()
	Need(t, "mosquitto")
	dir := t.TempDir()
	m := &Mosquitto{t: t, Addr: FreePort(t), conf: filepath.Join(dir, "m.conf")}
	_, port, _ := net.SplitHostPort(m.Addr)
	// If the broker is started as root, it would switch to a user that can't read the folder.
	lines := append([]string{"user root", "listener " + port + " 127.0.0.1", "set_tcp_nodelay true",
		"max_queued_messages 0", "max_inflight_messages 0"}, extra...)
	if len(extra) == 0 {
		lines = append(lines, "allow_anonymous true")
	}
	if err := os.WriteFile(m.conf, []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	m.Start()
	t.Cleanup(m.Kill)
	return m
}

// Start starts the broker, for the first time or again, and waits until it listens.
func (m *Mosquitto) Start() {
	m.t.Helper()
	m.cmd = exec.Command(Need(m.t, "mosquitto"), "-c", m.conf)
	if err := m.cmd.Start(); err != nil {
		m.t.Fatal(err)
	}
	Until(m.t, "the broker listens", func() bool {
		c, err := net.Dial("tcp", m.Addr)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

// Kill ends the broker at once.
func (m *Mosquitto) Kill() {
	if m.cmd != nil {
		m.cmd.Process.Kill()
		m.cmd.Wait()
		m.cmd = nil
	}
}

// Stop ends the broker with SIGTERM, as a service manager does.
func (m *Mosquitto) Stop() {
	m.t.Helper()
	if err := m.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		m.t.Fatal(err)
	}
	if err := m.cmd.Wait(); err != nil {
		m.t.Fatal(err)
	}
	m.cmd = nil
}

// URL returns the address of the broker.
func (m *Mosquitto) URL() string { return "tcp://" + m.Addr }

// Embedded starts the daemon's own broker. The function own fills in the login of a publisher that
// runs in another process.
func Embedded(t testing.TB, users ...broker.User) (url string, own func(*mqtt.Config), b *broker.Broker) {
	t.Helper()
	hash, err := bcrypt.GenerateFromPassword([]byte("swarf"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	users = append(users, broker.User{Name: "other", Hash: string(hash), Publish: true})
	b, err = broker.Open(broker.Config{Listen: "127.0.0.1:0", Site: "quarry-lane", Anonymous: true, Users: users}, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	over := make(chan error)
	go func() { over <- b.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	})
	return "tcp://" + b.Addr(), func(c *mqtt.Config) { c.User, c.Password = "other", "swarf" }, b
}
