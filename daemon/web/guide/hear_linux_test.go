package guide

import (
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/rs/zerolog"
	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"fairbore/analysis/notation"
	"fairbore/daemon/config"
	"fairbore/daemon/port"
)

// shop is a machine of the test's own: folders as the system has them, with pseudo-terminals as lines.
type shop struct {
	*Devices
	t    *testing.T
	host port.Host
}

func newShop(t *testing.T, m Machine) *shop {
	t.Helper()
	dir := t.TempDir()
	m.Host = port.Host{Sys: filepath.Join(dir, "sys"), Dev: filepath.Join(dir, "dev"), Proc: "/proc"}
	m.Log = zerolog.Nop()
	s := &shop{NewDevices(m), t, m.Host}
	for _, d := range []string{filepath.Join(m.Host.Sys, "class/tty"), filepath.Join(m.Host.Dev, "serial/by-id"), filepath.Join(m.Host.Dev, "input/by-id")} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(s.Close)
	return s
}

// plug plugs an adapter in. far is the gauge's end.
func (s *shop) plug(name string) (far *os.File, device string, pull func()) {
	s.t.Helper()
	m, l, err := pty.Open()
	if err != nil {
		s.t.Skipf("no pseudo-terminals here: %v", err)
	}
	if _, err := term.MakeRaw(int(l.Fd())); err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { m.Close(); l.Close() })
	class, node := filepath.Join(s.host.Sys, "class/tty", name, "device"), filepath.Join(s.host.Dev, name)
	device = filepath.Join(s.host.Dev, "serial/by-id/usb-adapter-"+name)
	if err := os.MkdirAll(class, 0o755); err != nil {
		s.t.Fatal(err)
	}
	if err := os.Symlink(l.Name(), node); err != nil {
		s.t.Fatal(err)
	}
	if err := os.Symlink("../../"+name, device); err != nil {
		s.t.Fatal(err)
	}
	return m, device, func() {
		for _, path := range []string{filepath.Dir(class), device, node} {
			if err := os.RemoveAll(path); err != nil {
				s.t.Fatal(err)
			}
		}
	}
}

// newest keeps the newest event of a stream.
type newest[T any] struct {
	mu sync.Mutex
	v  T
}

func (n *newest[T]) send(v any) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	if v != nil {
		n.v = v.(T)
	}
	return true
}

func (n *newest[T]) until(t *testing.T, what string, ok func(T) bool) T {
	t.Helper()
	for end := time.Now().Add(60 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		n.mu.Lock()
		v := n.v
		n.mu.Unlock()
		if ok(v) {
			return v
		}
		if time.Now().After(end) {
			t.Fatalf("waited for %s: %+v", what, v)
		}
	}
}

// looking follows what is heard as a page does.
func (s *shop) looking() *newest[Hearing] {
	n := &newest[Hearing]{}
	ctx, cancel := context.WithCancel(context.Background())
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		s.FollowHearing(ctx.Done(), "G-1", "bay-1", notation.Format{}, n.send)
	}()
	s.t.Cleanup(func() { cancel(); <-gone })
	return n
}

// opened waits until the port is open. What comes at once after that may be the end of a frame.
func (s *shop) opened() {
	s.t.Helper()
	for end := time.Now().Add(time.Minute); !s.newest().State().Up; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			s.t.Fatal("the port is not opened")
		}
	}
}

// stop ends listening as a page does. The port is free then.
func (s *shop) stop(device string) {
	s.t.Helper()
	s.Stop()
	fd, err := unix.Open(device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		s.t.Fatal(err)
	}
	defer unix.Close(fd)
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		s.t.Errorf("the port is not given back: %v", err)
	}
}

// makes reports the configuration that the changes make, with a shop around them.
func (h Hearing) makes(t *testing.T) *config.Config {
	t.Helper()
	all := append([]config.Change{{Key: []string{"site"}, Value: "quarry-lane"}}, h.Changes...)
	_, cfg, err := config.Changed("fairbore.yaml", nil, all...)
	if err != nil {
		t.Fatalf("%v\n%+v", err, h.Changes)
	}
	return cfg
}

func (s *shop) show(text string) Shown {
	s.t.Helper()
	out, ok := s.Show(text, notation.Format{})
	if !ok {
		s.t.Fatalf("%q: %s", text, out.Says)
	}
	return out
}

// A gauge with a button, pressed as slowly as a person does: agreement and disagreement with its
// display are said, and what was not seen.
func TestHear_Button(t *testing.T) {
	t.Parallel()
	s := newShop(t, Machine{})
	far, device, _ := s.plug("ttyUSB0")
	n := s.looking()
	if why := s.Begin(Wanted{Port: device}); !why.IsZero() {
		t.Fatal(why)
	}
	n.until(t, "what it waits for", func(h Hearing) bool { return h.State == Listening && strings.Contains(h.Says, "9600 8N1") })
	s.opened()
	for i, text := range []string{"+12.7003\r\n", "+12.7104\r\n", "+12.6999\r\n", "+12.7001\r\n"} {
		time.Sleep(700 * time.Millisecond)
		io.WriteString(far, text)
		n.until(t, "the press", func(h Hearing) bool { return h.Count == i+1 })
	}
	h := n.until(t, "whole readings", func(h Hearing) bool { return h.Found })
	if h.Sure || len(h.Needs) == 0 || len(h.Changes) > 0 {
		t.Errorf("sure without a look at the display: %+v", h)
	}
	if out, ok := s.Show("twelve", notation.Format{}); ok || !strings.Contains(out.Says, "twelve") {
		t.Errorf("no number: %+v", out)
	}
	if out := s.show("12.7200 mm"); out.Agrees == nil || *out.Agrees || !strings.Contains(out.Says, "12.7001") {
		t.Errorf("a display that differs: %+v", out)
	}
	s.show("undo")
	if out := s.show("12.7001 mm"); out.Agrees == nil || !*out.Agrees {
		t.Errorf("a display that agrees: %+v", out)
	}
	h = n.until(t, "the gauge to be known", func(h Hearing) bool { return h.Sure && h.Kind == Button })
	if h.Value != "12.7001" || h.Unit != "mm" || h.Step != "0.0001 mm" || len(h.Shown) != 1 {
		t.Errorf("known as %+v", h)
	}
	unseen := strings.Join(h.Unseen, " ")
	for _, want := range []string{"negative", "Leave the gauge's display in mm"} {
		if !strings.Contains(unseen, want) {
			t.Errorf("%q is not said of what was not seen: %s", want, unseen)
		}
	}
	s.stop(device)
	c := n.until(t, "the end", func(h Hearing) bool { return h.State == Ended && h.Sure }).makes(t)
	if st := c.Stations[0]; st.Name != "bay-1" || st.Gauge != "G-1" || st.Port != device || st.Line.Baud != 9600 || st.Capture != "button" || c.Gauges["G-1"].Driver != "line" {
		t.Errorf("station %+v", st)
	}
}

// A two-point gauge that streams is found without a press; another can't be listened to meanwhile.
func TestHear_Streaming(t *testing.T) {
	t.Parallel()
	s := newShop(t, Machine{})
	far, device, _ := s.plug("ttyUSB0")
	_, second, _ := s.plug("ttyUSB1")
	n := s.looking()
	if why := s.Begin(Wanted{Port: device}); !why.IsZero() {
		t.Fatal(why)
	}
	if why := s.Begin(Wanted{Port: second}); why.Code != "hear.refused.listening" {
		t.Errorf("two at once: %+v", why)
	}
	done := make(chan struct{})
	var sending sync.WaitGroup
	defer sending.Wait()
	defer close(done)
	sending.Go(func() {
		tick := time.NewTicker(50 * time.Millisecond)
		defer tick.Stop()
		for i := 0; ; i++ {
			select {
			case <-done:
				return
			case <-tick.C:
				io.WriteString(far, []string{"-0.0044 mm\r", "+0.5003 in\r", "-0.0041 mm\r"}[i/40%3])
			}
		}
	})
	n.until(t, "whole readings", func(h Hearing) bool { return h.Found && h.Kind == Streaming })
	if out := s.show("99.1234 mm"); out.Agrees == nil || *out.Agrees {
		t.Errorf("a display that differs: %+v", out)
	}
	s.show("undo")
	n.until(t, "inches", func(h Hearing) bool { return h.Value == "0.5003" })
	s.show("0.5003 in")
	h := n.until(t, "the gauge to be known", func(h Hearing) bool { return h.Sure })
	if rest := strings.Join(h.Unseen, " "); strings.Contains(rest, "inches") || strings.Contains(rest, "negative") {
		t.Errorf("both were seen: %s", rest)
	}
	if h.makes(t).Stations[0].Port != device {
		t.Errorf("changes %+v", h.Changes)
	}
	s.stop(device)
}

// A gauge that speaks only when asked: nothing is sent without leave, and with it the request is found.
func TestHear_Asked(t *testing.T) {
	t.Parallel()
	s := newShop(t, Machine{})
	far, device, _ := s.plug("ttyUSB0")
	n := s.looking()
	var mu sync.Mutex
	asked := 0
	go func() {
		buf := make([]byte, 256)
		for {
			k, err := far.Read(buf)
			if err != nil {
				return
			}
			mu.Lock()
			asked += k
			mu.Unlock()
			if strings.HasSuffix(string(buf[:k]), "?\r") {
				io.WriteString(far, "+12.7003 mm\r")
			}
		}
	}()
	if why := s.Begin(Wanted{Port: device, Baud: 9600}); !why.IsZero() {
		t.Fatal(why)
	}
	n.until(t, "the open port", func(h Hearing) bool { return h.State == Listening })
	time.Sleep(time.Second)
	s.stop(device)
	mu.Lock()
	if asked > 0 {
		t.Errorf("%d bytes were sent without leave", asked)
	}
	mu.Unlock()
	if why := s.Begin(Wanted{Port: device, Baud: 9600, Ask: true}); !why.IsZero() {
		t.Fatal(why)
	}
	n.until(t, "an answer", func(h Hearing) bool { return h.Found && h.Count >= 4 })
	s.show("12.7003 mm")
	h := n.until(t, "the gauge to be known", func(h Hearing) bool { return h.Sure })
	if c := h.makes(t); h.Kind != Asked || c.Gauges["G-1"].Driver != "ask" {
		t.Errorf("%s: %+v", h.Kind, h.Changes)
	}
	s.stop(device)
}

// The adapter is pulled out: it is said, and it goes on by itself. A port of another program names it.
func TestHear_UnpluggedAndInUse(t *testing.T) {
	t.Parallel()
	s := newShop(t, Machine{})
	far, device, pull := s.plug("ttyUSB0")
	n := s.looking()
	if why := s.Begin(Wanted{Port: device, Baud: 9600}); !why.IsZero() {
		t.Fatal(why)
	}
	n.until(t, "the open port", func(h Hearing) bool { return h.State == Listening && h.Why == "" })
	to, err := filepath.EvalSymlinks(device)
	if err != nil {
		t.Fatal(err)
	}
	pull()
	if h := n.until(t, "the loss", func(h Hearing) bool { return h.State == Lost }); !strings.Contains(h.Why, "gone") && !strings.Contains(h.Why, "exist") {
		t.Errorf("said %q", h.Why)
	}
	if err := os.Symlink(to, device); err != nil {
		t.Fatal(err)
	}
	n.until(t, "the port to be back", func(h Hearing) bool { return h.State == Listening })
	s.opened()
	time.Sleep(400 * time.Millisecond)
	io.WriteString(far, "+12.7003 mm\r\n")
	n.until(t, "a frame", func(h Hearing) bool { return h.Count == 1 })
	s.stop(device)

	path, err := exec.LookPath("flock")
	if err != nil {
		t.Skip("flock is not installed")
	}
	other := exec.Command(path, to, "sleep", "120")
	if err := other.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { other.Process.Kill(); other.Wait() }()
	var why string
	for end := time.Now().Add(20 * time.Second); !strings.Contains(why, "flock"); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("another program is not named: %q", why)
		}
		why = notation.Format{}.Say(s.host.Hindrance(device))
	}
	if w := s.Begin(Wanted{Port: device}); !w.IsZero() {
		t.Fatal(w)
	}
	n.until(t, "the refusal", func(h Hearing) bool { return h.State == Ended && strings.Contains(h.Why, "flock") })
}

// Ports appear and go while a page looks on; one that a station uses says so.
func TestPortsAppear(t *testing.T) {
	t.Parallel()
	used := ""
	s := newShop(t, Machine{Uses: func(device string) string {
		if device == used {
			return "bay-1"
		}
		return ""
	}})
	_, used, _ = s.plug("ttyUSB0")
	n := &newest[Ports]{}
	ctx, cancel := context.WithCancel(t.Context())
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		s.FollowPorts(ctx.Done(), notation.Format{}, n.send)
	}()
	defer func() { cancel(); <-gone }()
	first := n.until(t, "the first port", func(p Ports) bool { return len(p.Ports) == 1 })
	if p := first.Ports[0]; p.Device != used || p.New || p.Station != "bay-1" || !strings.Contains(p.Why, "bay-1") {
		t.Errorf("the first: %+v", p)
	}
	_, second, pull := s.plug("ttyUSB1")
	two := n.until(t, "the second port", func(p Ports) bool { return len(p.Ports) == 2 })
	if p := two.Ports[1]; p.Device != second || !p.New || p.Why != "" {
		t.Errorf("the second: %+v", p)
	}
	pull()
	n.until(t, "the second to be gone", func(p Ports) bool { return len(p.Ports) == 1 })
	if why := s.Begin(Wanted{Port: used}); why.Code != "hear.port.station" {
		t.Errorf("listened to a station's port: %+v", why)
	}
}

// A page names devices and addresses, and no other files of this machine.
func TestHear_OpensNothingElse(t *testing.T) {
	s := newShop(t, Machine{})
	for _, device := range []string{"", "/etc/passwd", s.host.Dev + "/../x", "recording:/tmp/x.rec", "input:/etc/passwd", "http://192.0.2.7/", "tcp://192.0.2.7", "rfc2217://:1"} {
		if why := s.Begin(Wanted{Port: device}); why.Code != "hear.refused.device" {
			t.Errorf("%q: %+v", device, why)
		}
	}
	_, device, _ := s.plug("ttyUSB0")
	if why := s.Begin(Wanted{Port: device, Baud: 9601}); why.Code != "hear.refused.baud" {
		t.Errorf("a speed that is none: %+v", why)
	}
}

// When no page looks on any more, the port is given back.
func TestHear_EndsWithoutABrowser(t *testing.T) {
	t.Parallel()
	s := newShop(t, Machine{})
	_, device, _ := s.plug("ttyUSB0")
	if why := s.Begin(Wanted{Port: device}); !why.IsZero() {
		t.Fatal(why)
	}
	for end := time.Now().Add(leftFor + time.Minute); !s.newest().ended(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("it listens although nobody looks on")
		}
	}
	if h := s.Heard("g", "s", notation.Format{}); h.State != Ended || !strings.Contains(h.Why, "No page") {
		t.Errorf("%+v", h)
	}
	s.stop(device)
}

// The contact that was pressed is the one that is named, and how often it changed.
func TestContacts(t *testing.T) {
	tr := tried{used: map[string]string{"dsr": "pedal"}}
	var last Contacts
	for _, l := range []port.ModemLines{{DCD: true}, {DCD: true}, {DCD: true, CTS: true}, {DCD: true}, {DCD: true, CTS: true}} {
		last = tr.contacts(port.Status{Up: true, HasLines: true, Lines: l}, notation.Format{})
	}
	if last.Last != "cts" || !last.Lines[0].On || last.Lines[0].Changes != 3 || last.Lines[2].Changes != 0 || last.Lines[1].Used != "pedal" || !strings.Contains(last.Says, "on") {
		t.Errorf("%+v", last)
	}
	none := tried{}
	if c := none.contacts(port.Status{Up: true}, notation.Format{}); c.Why == "" || len(c.Lines) != 0 {
		t.Errorf("a port without contacts: %+v", c)
	}
}
