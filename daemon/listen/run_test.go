package listen

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/rs/zerolog"
	"golang.org/x/term"

	"fairbore/daemon/daemontest"
	"fairbore/daemon/port"
	"fairbore/drivers"
)

// terminal is a gauge's line as a pseudo-terminal: its far end, and its name.
func terminal(t *testing.T) (far io.ReadWriter, name string) {
	t.Helper()
	m, s, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	if _, err := term.MakeRaw(int(s.Fd())); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close(); s.Close() })
	return m, s.Name()
}

// printed is what Run says, safe to read while it runs.
type printed struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (p *printed) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.b.Write(b)
}

func (p *printed) String() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.b.String()
}

func (p *printed) await(t *testing.T, text string) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); !strings.Contains(p.String(), text); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited for %q:\n%s", text, p)
		}
	}
}

func stream(t *testing.T, w io.Writer, texts ...string) {
	t.Helper()
	done := make(chan struct{})
	var group sync.WaitGroup
	t.Cleanup(func() { close(done); group.Wait() })
	group.Go(func() {
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for i := 0; ; i++ {
			select {
			case <-done:
				return
			case <-tick.C:
				io.WriteString(w, texts[i%len(texts)])
			}
		}
	})
}

// A streaming gauge, nobody at the keys: flags tell the display, and files are
// written that say what was heard. A pseudo-terminal carries its bytes at any
// speed, so the first at which enough came in time is proposed.
func TestRunListens(t *testing.T) {
	t.Parallel()
	far, name := terminal(t)
	stream(t, far, "+12.7003\r\n", "+12.7104\r\n", "-00.0044\r\n", "+13.1234\r\n")
	dir := t.TempDir()
	out := &printed{}
	o := Options{Settings: Settings{Device: name, For: time.Second, Log: zerolog.Nop()}, Name: "G-9", Shows: []string{"-0.0044 mm", "12.7104 mm"},
		Out: filepath.Join(dir, "new.yaml"), Record: filepath.Join(dir, "new.rec"), Print: out}
	if err := Run(t.Context(), o); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, want := range []string{"-- 9600 8N1", "-00.0044<CR><LF>", "Proposed: driver line", "2 of 2 displays"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("not said: %q\n%s", want, out)
		}
	}
	block, err := os.ReadFile(o.Out)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"'G-9':", "driver: line", "unit: mm", "step: 0.0001 mm", "sign: 'always'", "port: '" + name + "'", "data: 8\n      parity: 'none'\n      stop: 1"} {
		if !strings.Contains(string(block), want) {
			t.Errorf("no %q in\n%s", want, block)
		}
	}
	rec, err := os.ReadFile(o.Record)
	if err != nil {
		t.Fatal(err)
	}
	r, err := drivers.ParseRecording(rec)
	if err != nil || r.Driver != "line" || !strings.HasSuffix(r.Settings, " 8N1") || !strings.Contains(r.Display, "12.7104 mm") || len(r.Entries) < 10 {
		t.Errorf("recording: %v: %+v", err, r)
	}
}

// A person types what the display shows while the gauge streams.
func TestRunAsksThePerson(t *testing.T) {
	t.Parallel()
	far, name := terminal(t)
	stream(t, far, "12,7003\r")
	answers := make(chan string)
	out := &printed{}
	ended := make(chan error, 1)
	go func() {
		ended <- Run(t.Context(), Options{Settings: Settings{Device: name, For: time.Second, Log: zerolog.Nop()}, Answers: answers, Print: out})
	}()
	out.await(t, "type what its")
	answers <- "twelve"
	out.await(t, `"twelve" is no number`)
	seen := strings.Count(out.String(), "12,7003<CR>")
	for end := time.Now().Add(10 * time.Second); strings.Count(out.String(), "12,7003<CR>") < seen+6; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited for more frames:\n%s", out)
		}
	}
	answers <- "13,7003 mm"
	out.await(t, "undo takes it back")
	answers <- "undo"
	out.await(t, "13,7003 mm taken back")
	answers <- "12,7003 mm"
	out.await(t, "agrees with driver line: 12.7003")
	answers <- ""
	if err := <-ended; err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if !strings.Contains(out.String(), "decimal: 'comma'") {
		t.Errorf("no configuration on the screen:\n%s", out)
	}
}

// A gauge that speaks only when asked: nothing is sent without leave, and with
// it the request that is answered is found.
func TestRunAsks(t *testing.T) {
	t.Parallel()
	far, name := terminal(t)
	var mu sync.Mutex
	var got []byte
	go func() {
		buf := make([]byte, 256)
		for i := 0; ; {
			n, err := far.Read(buf)
			if err != nil {
				return
			}
			mu.Lock()
			got = append(got, buf[:n]...)
			mu.Unlock()
			// On a busy machine what was asked before may come with it.
			before, ok := strings.CutSuffix(string(buf[:n]), "?\r")
			if ok && strings.Trim(before[max(0, len(before)-1):], "\r\n") == "" {
				io.WriteString(far, []string{"+12.7003 mm\r", "-0.0044 mm\r", "+12.7104 mm\r"}[i%3])
				i++
			}
		}
	}()
	o := Options{Settings: Settings{Device: name, Line: drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}, For: 700 * time.Millisecond, Log: zerolog.Nop()}, Shows: []string{"12.7003 mm"}, Print: &printed{}}
	if err := Run(t.Context(), o); !errors.Is(err, ErrCantTell) || !strings.Contains(o.Print.(*printed).String(), "--ask") {
		t.Errorf("without leave to ask: %v\n%s", err, o.Print)
	}
	mu.Lock()
	if len(got) > 0 {
		t.Errorf("sent %q without leave", got)
	}
	mu.Unlock()
	o.Ask = true
	if err := Run(t.Context(), o); err != nil {
		t.Fatalf("%v\n%s", err, o.Print)
	}
	if s := o.Print.(*printed).String(); !strings.Contains(s, "driver: ask") || !strings.Contains(s, `request: '?\r'`) && !strings.Contains(s, "answers to ?<CR>") {
		t.Errorf("said\n%s", s)
	}
}

func TestRunSaysWhatIsWrongWithThePort(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	err := Run(ctx, Options{Settings: Settings{Device: filepath.Join(t.TempDir(), "nothing"), For: time.Second, Log: zerolog.Nop()}, Print: io.Discard})
	if err == nil || !strings.Contains(err.Error(), "nothing") || !strings.Contains(err.Error(), "lists the serial lines") || ctx.Err() != nil {
		t.Errorf("a port that isn't there: %v", err)
	}
}

// What no driver reads is kept all the same, for somebody who knows the gauge.
func TestRunKeepsWhatItCannotRead(t *testing.T) {
	t.Parallel()
	far, name := terminal(t)
	stream(t, far, "\xc3\x17\xfe", "\x81\xee\x9b\xd0")
	out := &printed{}
	o := Options{Settings: Settings{Device: name, Line: drivers.Serial{Baud: 9600, Data: 8, Parity: "none", Stop: 1}, For: time.Second, Log: zerolog.Nop()},
		Out: filepath.Join(t.TempDir(), "new.yaml"), Print: out}
	if err := Run(t.Context(), o); !errors.Is(err, ErrCantTell) {
		t.Fatalf("%v\n%s", err, out)
	}
	if _, err := os.Stat(o.Out); err == nil {
		t.Error("a configuration was written")
	}
	text, err := os.ReadFile(strings.TrimSuffix(o.Out, ".yaml") + ".rec")
	if err != nil {
		t.Fatal(err)
	}
	r, err := drivers.ParseRecording(text)
	if err != nil || r.Driver != "" || r.Settings != "9600 8N1" || !bytes.Contains(text, []byte(`\xc3\x17\xfe`)) {
		t.Errorf("%v:\n%s", err, text)
	}
}

func TestLines(t *testing.T) {
	list := []port.Device{
		{Path: "/dev/serial/by-id/usb-adapter-0001", Node: "/dev/ttyUSB0", Adapter: port.Adapter{Vendor: "1234", Product: "abcd", Serial: "0001", Name: "adapter"}},
		{Path: "/dev/ttyS0", Node: "/dev/ttyS0"},
	}
	var b bytes.Buffer
	if err := printLines(&b, list); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"/dev/serial/by-id/usb-adapter-0001  (adapter, USB 1234:abcd serial 0001, now /dev/ttyUSB0)", "/dev/ttyS0  (no USB adapter)"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in\n%s", want, &b)
		}
	}
	b.Reset()
	if err := printLines(&b, nil); err != nil || !strings.Contains(b.String(), "tcp://") {
		t.Errorf("%v: %s", err, &b)
	}
}

// A symbolic link in place of an output is refused before anybody listens, and one
// that comes later is refused too; what it leads to stays as it was.
func TestRunFollowsNoLink(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	secret, link := filepath.Join(dir, "secret"), filepath.Join(dir, "new.yaml")
	if err := os.WriteFile(secret, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(secret, link); err != nil {
		t.Skipf("no symbolic links here: %v", err)
	}
	for name, o := range map[string]Options{
		"configuration": {Out: link, Record: filepath.Join(dir, "new.rec")}, "recording": {Record: link},
	} {
		o.Device, o.Print, o.Log = "tcp://127.0.0.1:1", io.Discard, zerolog.Nop()
		if err := Run(t.Context(), o); err == nil || !strings.Contains(err.Error(), "symbolic link") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := write(link, []byte("theirs")); err == nil {
		t.Error("written through a link")
	}
	if text, err := os.ReadFile(secret); err != nil || string(text) != "mine" {
		t.Errorf("what the link leads to: %q, %v", text, err)
	}
	file := filepath.Join(dir, "file")
	if err := write(file, []byte("a")); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm()&^0o640 != 0 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
}

// A device server that lets one program in at a time says so and closes the
// connection. That is told, and is no gauge.
func TestRunTellsThatTheServerRefuses(t *testing.T) {
	t.Parallel()
	daemontest.Needs(t, "ser2net", "socat")
	dir := t.TempDir()
	line, far := filepath.Join(dir, "line"), filepath.Join(dir, "far")
	peer := func(name string, args ...string) {
		cmd := exec.Command(name, args...)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	}
	await := func(what string, ok func() bool) {
		t.Helper()
		for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(10 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("waited for %s", what)
			}
		}
	}
	peer("socat", "pty,raw,echo=0,link="+line, "pty,raw,echo=0,link="+far)
	await("the line", func() bool { _, err := os.Stat(line); return err == nil })
	plain, rfc := daemontest.FreePort(t), daemontest.FreePort(t)
	conf := filepath.Join(dir, "ser2net.yaml")
	text := ""
	for i, accepter := range []string{"tcp," + strings.Replace(plain, ":", ",", 1), "telnet(rfc2217),tcp," + strings.Replace(rfc, ":", ",", 1)} {
		text += fmt.Sprintf("connection: &g%d\n  accepter: %s\n  connector: serialdev,%s,9600n81,local\n", i, accepter, line)
	}
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	peer("ser2net", "-n", "-d", "-c", conf)
	var holder net.Conn
	await("ser2net", func() (ok bool) {
		var err error
		holder, err = net.Dial("tcp", plain)
		return err == nil
	})
	defer holder.Close()
	for _, device := range []string{"tcp://" + plain, "rfc2217://" + rfc} {
		out := &printed{}
		record := filepath.Join(dir, "heard.rec")
		err := Run(t.Context(), Options{Settings: Settings{Device: device, For: 10 * time.Second, Log: zerolog.Nop()}, Record: record, Print: out})
		if err == nil || !strings.Contains(err.Error(), "already in use") {
			t.Errorf("%s: %v\n%s", device, err, out)
		}
		if n := strings.Count(out.String(), "already in use"); n > 1 {
			t.Errorf("%s: told %d times:\n%s", device, n, out)
		}
		if _, err := os.Stat(record); err == nil {
			t.Errorf("%s: a recording was written of what no gauge sent", device)
		}
	}
}

// An input that is closed from the beginning, such as /dev/null, is nobody: a port that isn't there is
// not waited for.
func TestRunWaitsForNobody(t *testing.T) {
	t.Parallel()
	answers := make(chan string)
	close(answers)
	device := filepath.Join(t.TempDir(), "nothing")
	err := Run(t.Context(), Options{Settings: Settings{Device: device, For: time.Second, Log: zerolog.Nop()}, Answers: answers, Print: &printed{}})
	if err == nil || errors.Is(err, ErrCantTell) || !strings.Contains(err.Error(), "lists the serial lines") {
		t.Errorf("a port that isn't there: %v", err)
	}
}
