package port

import (
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"fairbore/daemon/daemontest"
)

// program finds a real peer. Where all is to be tested it must be there.
func program(t *testing.T, name string) string {
	t.Helper()
	for _, n := range []string{name, "/usr/sbin/" + name} {
		if path, err := exec.LookPath(n); err == nil {
			return path
		}
	}
	daemontest.Missing(t, name+" isn't installed")
	return ""
}

// start runs a peer until the test ends, or kill is called.
func start(t *testing.T, name string, args ...string) (kill func()) {
	t.Helper()
	cmd := exec.Command(name, args...)
	out := &safeBuffer{}
	cmd.Stdout, cmd.Stderr = out, out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	done := false
	kill = func() {
		if !done {
			done = true
			cmd.Process.Kill()
			cmd.Wait()
		}
	}
	t.Cleanup(func() {
		kill()
		if t.Failed() {
			t.Logf("%s said:\n%s", filepath.Base(name), out)
		}
	})
	return kill
}

// ttyPair is two pseudo-terminals joined by socat: the line and the gauge's end.
func ttyPair(t *testing.T, dir string) (line, gauge string, unplug func()) {
	t.Helper()
	socat := program(t, "socat")
	line, gauge = filepath.Join(dir, "line"), filepath.Join(dir, "gauge")
	unplug = start(t, socat, "pty,raw,echo=0,link="+line, "pty,raw,echo=0,link="+gauge)
	within(t, 20*time.Second, "socat's lines", func() bool {
		_, a := os.Stat(line)
		_, b := os.Stat(gauge)
		return a == nil && b == nil
	})
	return line, gauge, unplug
}

func openGauge(t *testing.T, path string) *os.File {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, port, err := net.SplitHostPort(l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	return port
}

// setting reads what a line is set to.
func setting(t *testing.T, path string) unix.Termios {
	t.Helper()
	f := openGauge(t, path)
	s, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS2)
	if err != nil {
		t.Fatal(err)
	}
	return *s
}

func TestPeer_SocatLineUnpluggedAndBack(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	line, gauge, unplug := ttyPair(t, dir)
	r := run(t, Config{Device: line, Line: line9600})
	r.until("the line to open", func() bool { return r.Status().Up })
	io.WriteString(openGauge(t, gauge), "+12.7003 mm\r\n")
	r.until("the reading", func() bool { return r.bytes() == "+12.7003 mm\r\n" })
	unplug()
	within(t, 10*time.Second, "the loss to be told", func() bool { return r.Status().Counters.Losses == 1 })
	os.Remove(line)
	os.Remove(gauge)
	ttyPair(t, dir)
	r.until("the line again", func() bool { return r.Status().Up })
	io.WriteString(openGauge(t, gauge), "+12.7004 mm\r\n")
	r.until("the next reading", func() bool { return strings.HasSuffix(r.bytes(), "+12.7004 mm\r\n") })
}

func TestPeer_SocatOverTCP(t *testing.T) {
	t.Parallel()
	line, gauge, _ := ttyPair(t, t.TempDir())
	port := freePort(t)
	start(t, program(t, "socat"), "tcp-listen:"+port+",bind=127.0.0.1,reuseaddr,fork", line+",raw,echo=0")
	r := run(t, Config{Device: schemeTCP + "127.0.0.1:" + port})
	r.until("the line to open", func() bool { return r.Status().Up })
	if err := r.Write(t.Context(), []byte("?\r")); err != nil {
		t.Fatal(err)
	}
	f := openGauge(t, gauge)
	b := make([]byte, 2)
	if _, err := io.ReadFull(f, b); err != nil || string(b) != "?\r" {
		t.Errorf("the gauge was sent %q, %v", b, err)
	}
	io.WriteString(f, "+12.7003 mm\r\n")
	r.until("the reading", func() bool { return r.bytes() == "+12.7003 mm\r\n" })
}

// ser2net serves a line to the network, by an accepter.
func ser2net(t *testing.T, accepter, line, settings string) (kill func()) {
	t.Helper()
	conf := filepath.Join(t.TempDir(), "ser2net.yaml")
	text := fmt.Sprintf("connection: &g\n  accepter: %s\n  connector: serialdev,%s,%s,local\n", accepter, line, settings)
	file(t, conf, text)
	return start(t, program(t, "ser2net"), "-n", "-d", "-c", conf)
}

func TestPeer_Ser2netSetsItsLineByRFC2217(t *testing.T) {
	t.Parallel()
	line, gauge, _ := ttyPair(t, t.TempDir())
	port := freePort(t)
	kill := ser2net(t, "telnet(rfc2217),tcp,127.0.0.1,"+port, line, "9600n81")
	c := Config{Device: schemeRFC2217 + "127.0.0.1:" + port, Line: line7E1}
	c.Line.Stop = 2
	r := run(t, c)
	r.until("the line to open", func() bool { return r.Status().Up })
	// A pseudo-terminal takes rate and stop bits, but neither parity nor size.
	if s := setting(t, line); s.Ospeed != 4800 || s.Cflag&unix.CSTOPB == 0 {
		t.Errorf("the line runs at %d, flags %#x; want 4800 and two stop bits", s.Ospeed, s.Cflag)
	}
	f := openGauge(t, gauge)
	sent := "+12.7003 mm\r\n\x00\xFF\xFF\xFE\r\x00\r\n"
	io.WriteString(f, sent)
	r.until("every byte", func() bool { return r.bytes() == sent })
	if err := r.Write(t.Context(), []byte("?\xFF\r")); err != nil {
		t.Fatal(err)
	}
	b := make([]byte, 3)
	if _, err := io.ReadFull(f, b); err != nil || string(b) != "?\xFF\r" {
		t.Errorf("the gauge was sent %q, %v", b, err)
	}
	r.until("the warning of DTR, which a pseudo-terminal has not", func() bool { return strings.Contains(r.log.String(), `"setting":"DTR"`) })
	if r.Status().Counters.Losses != 0 { // a server that wasn't up yet is no loss
		t.Errorf("told %s", sequence(r.chunks()))
	}
	kill()
	within(t, 10*time.Second, "the loss to be told", func() bool { return r.Status().Counters.Losses == 1 && !r.Status().Up })
	ser2net(t, "telnet(rfc2217),tcp,127.0.0.1,"+port, line, "9600n81")
	r.until("the line again", func() bool { return r.Status().Up })
}

func TestPeer_Ser2netAsPlainBytes(t *testing.T) {
	t.Parallel()
	line, gauge, _ := ttyPair(t, t.TempDir())
	port := freePort(t)
	ser2net(t, "tcp,127.0.0.1,"+port, line, "4800e72")
	r := run(t, Config{Device: schemeTCP + "127.0.0.1:" + port})
	r.until("the line to open", func() bool { return r.Status().Up })
	within(t, 20*time.Second, "the server to set its line", func() bool { return setting(t, line).Ospeed == 4800 })
	io.WriteString(openGauge(t, gauge), "+12.7003 mm\r\n")
	r.until("the reading", func() bool { return r.bytes() == "+12.7003 mm\r\n" })
}
