package port

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/rs/zerolog"
	"golang.org/x/sys/unix"

	"fairbore/drivers"
)

// plug is a pseudo-terminal under a name that stays, as an adapter with its
// by-id link.
type plug struct {
	t    *testing.T
	link string
	peer *os.File // the gauge's end
}

func newPlug(t *testing.T) *plug {
	p := &plug{t: t, link: filepath.Join(t.TempDir(), "gauge")}
	p.in()
	t.Cleanup(p.out)
	return p
}

func (p *plug) in() {
	p.t.Helper()
	peer, tty, err := pty.Open()
	if err != nil {
		p.t.Fatal(err)
	}
	// Bytes that come before the port has set it raw must not be echoed.
	if err := raw(tty); err != nil {
		p.t.Fatal(err)
	}
	if err := os.Symlink(tty.Name(), p.link); err != nil {
		p.t.Fatal(err)
	}
	if err := tty.Close(); err != nil {
		p.t.Fatal(err)
	}
	p.peer = peer
}

func raw(f *os.File) error {
	s, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	if err != nil {
		return err
	}
	s.Lflag &^= unix.ECHO | unix.ICANON
	return unix.IoctlSetTermios(int(f.Fd()), unix.TCSETS, s)
}

func (p *plug) out() {
	if p.peer != nil {
		os.Remove(p.link)
		p.peer.Close()
		p.peer = nil
	}
}

func (p *plug) send(s string) {
	p.t.Helper()
	if _, err := io.WriteString(p.peer, s); err != nil {
		p.t.Fatal(err)
	}
}

func (p *plug) config() Config { return Config{Device: p.link, Line: line9600} }

// cpu is the processor time that this process has used.
func cpu(t *testing.T) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func descriptors(t *testing.T) int {
	t.Helper()
	d, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(d)
}

func TestSerial_UnpluggedAndPluggedInTwentyTimes(t *testing.T) {
	before, fds := runtime.NumGoroutine(), descriptors(t)
	p := newPlug(t)
	r := run(t, p.config())
	want := ""
	for i := range 20 {
		r.until("the line to open", func() bool { return r.Status().Up })
		p.send("+12.7003 mm\r\n")
		want += "+12.7003 mm\r\n"
		r.until("the reading", func() bool { return r.bytes() == want })
		p.out()
		d := within(t, 10*time.Second, "the loss to be told", func() bool { return r.number(Lost) == i+1 })
		if i == 0 {
			t.Logf("told after %v", d)
		}
		p.in()
	}
	r.until("the line to open again", func() bool { return r.Status().Up })
	if s := r.Status().Counters; s.Opens != 21 || s.Losses != 20 || s.Attempts > 4*21 {
		t.Errorf("counted %+v", s)
	}
	if err := r.stop(); err != nil {
		t.Error(err)
	}
	p.out()
	goroutines(t, before)
	if now := descriptors(t); now > fds+1 { // one for the poller that the test itself may have started
		t.Errorf("%d descriptors open, before %d", now, fds)
	}
}

func TestSerial_IdleAndLostLinesCostNothing(t *testing.T) {
	p := newPlug(t)
	r := runOpen(t, p.config(), nil)
	r.until("the line to open", func() bool { return r.Status().Up })
	idle := func(what string) {
		began := cpu(t)
		time.Sleep(500 * time.Millisecond)
		if used := cpu(t) - began; used > 100*time.Millisecond {
			t.Errorf("%s: used %v of processor time in 0.5 s", what, used)
		}
	}
	idle("an open, silent line")
	p.out()
	r.until("the loss", func() bool { return r.number(Lost) == 1 })
	idle("a lost line")
	if n := r.Status().Counters.Attempts; n > 4 {
		t.Errorf("%d attempts", n)
	}
}

func TestSerial_VanishedLinkIsALossThoughTheLineIsThere(t *testing.T) {
	t.Parallel()
	p := newPlug(t)
	r := run(t, p.config())
	r.until("the line to open", func() bool { return r.Status().Up })
	if err := os.Remove(p.link); err != nil {
		t.Fatal(err)
	}
	within(t, 10*time.Second, "the loss to be told", func() bool { return r.number(Lost) == 1 })
	if why := r.Status().Why.Code; why != "port.gone" && why != "port.went_away" && why != "port.missing" {
		t.Errorf("why: %s", why)
	}
	p.peer.Close()
	p.in()
	r.until("the new line", func() bool { return r.Status().Up })
	old := p.peer
	defer old.Close()
	os.Remove(p.link)
	p.in()
	within(t, 10*time.Second, "the loss to be told", func() bool { return r.number(Lost) == 2 })
}

func TestSerial_TwoPortsOnOneDeviceAreRefused(t *testing.T) {
	t.Parallel()
	p := newPlug(t)
	r := run(t, p.config())
	r.until("the line to open", func() bool { return r.Status().Up })
	target, err := os.Readlink(p.link)
	if err != nil {
		t.Fatal(err)
	}
	// The same device by its other name, from this process as from another.
	c := p.config()
	c.Name, c.Device = "second", target
	err = New(c, zerolog.Nop()).Run(t.Context(), func(Chunk) {})
	if !errors.Is(err, ErrBusy) || reason(err).Code != "port.busy_here" {
		t.Errorf("got %v", err)
	}
	p.send("+12.7003 mm\r\n") // the first hasn't been disturbed
	r.until("the reading", func() bool { return r.bytes() == "+12.7003 mm\r\n" })
	r.stop()
	second := run(t, c)
	second.until("the line to open once it is free", func() bool { return second.Status().Up })
}

func TestSerial_NamesTheProcessThatHasTheDevice(t *testing.T) {
	flock, err := exec.LookPath("flock")
	if err != nil {
		t.Skip("flock(1) isn't installed")
	}
	p := newPlug(t)
	cmd := exec.Command(flock, "--nonblock", p.link, "sleep", "60")
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
		cmd.Wait()
	}()
	h := Host{}
	var st unix.Stat_t
	within(t, 20*time.Second, "the lock", func() bool {
		return unix.Stat(p.link, &st) == nil && h.lockHolder(uint64(st.Dev), st.Ino) != ""
	})
	c := p.config()
	c.Name = "bench"
	err = New(c, zerolog.Nop()).Run(t.Context(), func(Chunk) {})
	if !errors.Is(err, ErrBusy) || !strings.Contains(err.Error(), "(flock)") {
		t.Errorf("got %v", err)
	}
}

func TestSerial_DeviceHeldExclusivelyIsRefused(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("an ordinary user is refused by the kernel")
	}
	p := newPlug(t)
	// A stale flag, as a holder that was killed leaves it, is none.
	tty, err := os.OpenFile(p.link, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.IoctlSetInt(int(tty.Fd()), unix.TIOCEXCL, 0); err != nil {
		t.Fatal(err)
	}
	sleep := exec.Command("sleep", "60")
	sleep.Stdin = tty
	if err := sleep.Start(); err != nil {
		t.Fatal(err)
	}
	tty.Close()
	c := p.config()
	c.Name = "bench"
	err = New(c, zerolog.Nop()).Run(t.Context(), func(Chunk) {})
	if !errors.Is(err, ErrBusy) || !strings.Contains(err.Error(), "(sleep)") {
		t.Errorf("got %v", err)
	}
	sleep.Process.Kill()
	sleep.Wait()
	r := run(t, c)
	r.until("the line to open when its holder was killed", func() bool { return r.Status().Up })
}

func TestSerial_RefusesWhatIsNoSerialLine(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, device := range []string{file, "/dev/null", t.TempDir()} {
		c := Config{Name: "bench", Device: device, Line: line9600}
		err := New(c, zerolog.Nop()).Run(t.Context(), func(Chunk) {})
		if reason(err).Code != "port.not_serial" {
			t.Errorf("%s: %v", device, err)
		}
	}
}

func TestSerial_DeviceThatNeedsPlugging(t *testing.T) {
	t.Parallel()
	p := newPlug(t)
	p.out()
	r := run(t, p.config())
	r.until("the missing device to be told", func() bool { return r.number(Lost) == 1 })
	if why := r.Status().Why; why.Code != "port.missing" {
		t.Errorf("why: %s", why)
	}
	p.in()
	r.until("the line to open", func() bool { return r.Status().Up })
}

func TestSerial_CommandAndReply(t *testing.T) {
	p := newPlug(t)
	r := run(t, p.config())
	r.until("the line to open", func() bool { return r.Status().Up })
	got := make(chan string, 1)
	go func() {
		b := make([]byte, 16)
		n, _ := p.peer.Read(b)
		got <- string(b[:n])
		io.WriteString(p.peer, "+12.7003 mm\r\n")
	}()
	if err := r.Write(t.Context(), []byte("?\r")); err != nil {
		t.Fatal(err)
	}
	if s := <-got; s != "?\r" {
		t.Errorf("the gauge was sent %q", s)
	}
	r.until("the reply", func() bool { return r.bytes() == "+12.7003 mm\r\n" })
}

func TestSerial_BlockedWriteIsALoss(t *testing.T) {
	t.Parallel()
	p := newPlug(t)
	r := run(t, p.config())
	r.until("the line to open", func() bool { return r.Status().Up })
	block := []byte(strings.Repeat("?\r", maxWrite/2))
	began := time.Now()
	var err error
	for err == nil { // nobody reads the other end: its buffer fills
		began = time.Now()
		err = r.Write(t.Context(), block)
	}
	if d := time.Since(began); d > 2*writeLimit || reason(err).Code != "port.write" && reason(err).Code != "port.not_taken" {
		t.Errorf("after %v: %v", d, err)
	}
	r.until("the loss", func() bool { return r.number(Lost) == 1 })
	r.until("the line to open again", func() bool { return r.Status().Up })
	p.send("+12.7003 mm\r\n")
	r.until("a reading", func() bool { return strings.HasSuffix(r.bytes(), "+12.7003 mm\r\n") })
	if s := r.Status().Counters; s.WriteFaults != 1 || s.Blocked {
		t.Errorf("counted %+v", s)
	}
}

func TestSerial_SettingsChangedByAnotherAreALossAndSetAgain(t *testing.T) {
	t.Parallel()
	p := newPlug(t)
	r := run(t, p.config())
	r.until("the line to open", func() bool { return r.Status().Up })
	tty, err := os.OpenFile(p.link, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer tty.Close()
	rate := func() uint32 {
		s, err := unix.IoctlGetTermios(int(tty.Fd()), unix.TCGETS2)
		if err != nil {
			t.Fatal(err)
		}
		if s.Cflag&unix.HUPCL != 0 {
			t.Error("HUPCL is set: closing would drop DTR")
		}
		return s.Ospeed
	}
	if rate() != 9600 {
		t.Errorf("runs at %d", rate())
	}
	s, err := unix.IoctlGetTermios(int(tty.Fd()), unix.TCGETS)
	if err != nil {
		t.Fatal(err)
	}
	s.Cflag = s.Cflag&^unix.CBAUD | unix.B1200
	if err := unix.IoctlSetTermios(int(tty.Fd()), unix.TCSETS, s); err != nil {
		t.Fatal(err)
	}
	r.until("the change to be seen", func() bool { return r.number(Lost) == 1 })
	if log := r.log.String(); !strings.Contains(log, "port.set_by_another(") {
		t.Errorf("log:\n%s", log)
	}
	r.until("the line to be set again", func() bool { return r.Status().Up && rate() == 9600 })
}

// The kernel marks bytes on a pseudo-terminal too; no parity error can be made there.
func TestSerial_MarkedStreamOfTheKernel(t *testing.T) {
	p := newPlug(t)
	o := &serialOpener{cfg: p.config(), log: zerolog.Nop()}
	l, err := o.open()
	if err != nil {
		t.Fatal(err)
	}
	defer l.close()
	tty := l.(*ttyLink)
	if tty.marks != nil {
		t.Error("marks are used on a pseudo-terminal")
	}
	tty.marks = &marks{}
	if err := tty.change(func(s *unix.Termios) { s.Iflag |= unix.PARMRK | unix.INPCK }); err != nil {
		t.Fatal(err)
	}
	sent := "\x00\x7F\x80\xFE\xFF\xFF\x00A\r\n"
	p.send(sent)
	var got []byte
	within(t, 20*time.Second, "the bytes", func() bool {
		err := l.read(10*time.Millisecond, func(b []byte, damaged bool) {
			if damaged {
				t.Error("a good byte taken for damaged")
			}
			got = append(got, b...)
		})
		return err != nil || len(got) >= len(sent)
	})
	if string(got) != sent {
		t.Errorf("got %q, want %q", got, sent)
	}
	if _, err := l.(modem).lines(); !errors.Is(err, errNoLines) {
		t.Errorf("modem lines of a pseudo-terminal: %v", err)
	}
	if k, ok := l.(counter).counts(); ok {
		t.Errorf("a pseudo-terminal counts: %+v", k)
	}
}

func TestSerial_LineSettingsOfATerminal(t *testing.T) {
	for _, c := range []struct {
		cflag uint32
		want  string
	}{
		{unix.CS8, "9600 8N1"},
		{unix.CS7 | unix.PARENB, "9600 7E1"},
		{unix.CS7 | unix.PARENB | unix.PARODD | unix.CSTOPB, "9600 7O2"},
		{unix.CS8 | unix.PARENB | unix.PARODD | unix.CMSPAR, "9600 8M1"},
		{unix.CS8 | unix.PARENB | unix.CMSPAR, "9600 8S1"},
		{unix.CS6 | unix.PARODD, "9600 6N1"},
		{unix.CS5, "9600 5N1"},
	} {
		got := lineOf(&unix.Termios{Cflag: c.cflag, Ospeed: 9600})
		if got.String() != c.want {
			t.Errorf("%#x: got %v, want %s", c.cflag, got, c.want)
		}
	}
	line := line9600
	line.Parity = "even"
	tty := &ttyLink{path: "x", line: line, dev: unix.Mkdev(188, 0), set: unix.Termios{Cflag: unix.CS8, Ospeed: 9600}}
	if err := tty.checkSettings(); reason(err).Code != "port.adapter_line" || !strings.HasSuffix(err.Error(), ", 9600 8E1)") {
		t.Errorf("an adapter without parity: %v", err)
	}
	tty.line, tty.set.Ospeed = line9600, 9700
	if err := tty.checkSettings(); err != nil {
		t.Errorf("1 %% off: %v", err)
	}
	if tty.set.Ospeed = 4800; tty.checkSettings() == nil {
		t.Error("4800 in place of 9600 went through")
	}
}

func TestCounts_Wrap(t *testing.T) {
	was, now := icounter{Overrun: -1, Frame: 5}, icounter{Overrun: 2, Frame: 5}
	if got := now.since(was); got != (KernelCounts{Overrun: 3}) {
		t.Errorf("got %+v", got)
	}
}

func TestLockHolder_ReadsTheTable(t *testing.T) {
	h := madeHost(t, "")
	// The layout is that of proc(5); the numbers are made.
	file(t, filepath.Join(h.Proc, "locks"), "1: POSIX  ADVISORY  READ  71 00:05:1234 128 128\n2: FLOCK  ADVISORY  WRITE 72 00:05:1234 0 EOF\n")
	file(t, filepath.Join(h.Proc, "72/comm"), "fairbore\n")
	if got := h.lockHolder(unix.Mkdev(0, 5), 1234); got != "72 (fairbore)" {
		t.Errorf("got %q", got)
	}
	if got := h.lockHolder(unix.Mkdev(0, 5), 1235); got != "" {
		t.Errorf("got %q", got)
	}
}

func TestSerial_AnotherAdapterUnderTheNameIsRefused(t *testing.T) {
	t.Parallel()
	p := newPlug(t)
	c := p.config()
	c.Host = madeHost(t, "G0042")
	for minor := range 256 { // whichever pseudo-terminal we get is on the adapter
		symlink(t, filepath.Join(c.Host.Sys, "class/tty/ttyUSB0"), filepath.Join(c.Host.Sys, "dev/char", fmt.Sprintf("136:%d", minor)))
	}
	serial := filepath.Join(c.Host.Sys, "devices/pci0000:00/usb1/1-1/serial")
	r := run(t, c)
	r.until("the line to open", func() bool { return r.Status().Up })
	if got := r.Status().Adapter.Serial; got != "G0042" {
		t.Errorf("serial %q", got)
	}
	p.out()
	file(t, serial, "G0043\n")
	p.in()
	r.until("the refusal", func() bool { return r.Status().Why.Code == "port.other_adapter" })
	if r.Status().Up || r.number(Up) != 1 {
		t.Errorf("told %s", sequence(r.chunks()))
	}
	p.out()
	file(t, serial, "G0042\n")
	p.in()
	r.until("the right one", func() bool { return r.Status().Up })
}

// goroutines waits until no more than n are left.
func goroutines(t *testing.T, n int) {
	t.Helper()
	within(t, 20*time.Second, "goroutines to end", func() bool { return runtime.NumGoroutine() <= n })
}

func TestSerial_SecondReaderIsToldOf(t *testing.T) {
	t.Parallel()
	p := newPlug(t)
	tty := openGauge(t, p.link)
	sleep := exec.Command("sleep", "60")
	sleep.Stdin = tty
	if err := sleep.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		sleep.Process.Kill()
		sleep.Wait()
	}()
	r := run(t, p.config())
	r.until("the line to open", func() bool { return r.Status().Up })
	if log := r.log.String(); !strings.Contains(log, "(sleep)") {
		t.Errorf("log:\n%s", log)
	}
}

func TestSerial_StableNameIsRecommended(t *testing.T) {
	t.Parallel()
	p := newPlug(t)
	c := p.config()
	c.Host.Dev = t.TempDir()
	stable := filepath.Join(c.Host.Dev, "serial/by-id/usb-1234_gauge")
	symlink(t, p.link, stable)
	r := run(t, c)
	r.until("the line to open", func() bool { return r.Status().Up })
	if log := r.log.String(); strings.Count(log, stable) != 1 {
		t.Errorf("log:\n%s", log)
	}
}

// A disk that is really full: a small file system of its own.
func TestRecorder_FullDisk(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=128k"); err != nil {
		t.Skipf("mounting a small file system needs the superuser: %v", err)
	}
	defer unix.Unmount(dir, unix.MNT_DETACH)
	filler := filepath.Join(dir, "filler")
	file(t, filler, strings.Repeat("x", 64<<10))
	log := &safeBuffer{}
	r := newRecorder(Config{Name: "bench", RecordDir: dir, RecordMax: 4 << 20}, zerolog.New(log))
	r.retry = time.Millisecond
	r.start()
	at := drivers.Moment{Wall: time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)}
	one := func() {
		within(t, 20*time.Second, "room in the queue", func() bool { return len(r.queue) < recorderQueue })
		at.Mono, at.Wall = at.Mono+time.Millisecond, at.Wall.Add(time.Millisecond)
		r.chunk(Chunk{At: at, Data: []byte("+12.7003 mm\r\n")})
	}
	for range 20000 {
		if one(); r.faults.Load() > 2 {
			break
		}
	}
	if r.faults.Load() == 0 {
		t.Fatal("the disk never filled")
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	count := func() (stops, starts int) {
		s := log.String()
		return strings.Count(s, "recording stopped"), strings.Count(s, "recording goes on")
	}
	within(t, 20*time.Second, "recording to go on", func() bool { one(); stops, starts := count(); return stops > 0 && stops == starts })
	r.stop()
	// A block that the cut-off of a torn batch gives back may hold a short
	// recording before the disk is full again; however often: one word for each
	// stop, one recording for each start.
	stops, starts := count()
	if stops != starts || stops > 3 {
		t.Errorf("told of %d stops and %d starts:\n%s", stops, starts, log)
	}
	names := recordingsIn(t, dir)
	if len(names) != 1+starts {
		t.Fatalf("recordings %q; want one to the full disk, and one after each of %d starts", names, starts)
	}
	kept := 0
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		rec, err := drivers.ParseRecording(text)
		if err != nil {
			t.Fatalf("%s is torn: %v", name, err)
		}
		for _, c := range rec.Entries {
			if c.Mark == "" {
				kept++
			}
		}
	}
	if all := int(at.Mono / time.Millisecond); kept+int(r.dropped.Load()) != all {
		t.Errorf("%d kept and %d dropped of %d", kept, r.dropped.Load(), all)
	}
}

// BenchmarkSerial measures from the write at the gauge's end to the sink, a
// line of 13 bytes at a time.
func BenchmarkSerial(b *testing.B) {
	peer, tty, err := pty.Open()
	if err != nil {
		b.Fatal(err)
	}
	defer peer.Close()
	defer tty.Close()
	if err := raw(tty); err != nil {
		b.Fatal(err)
	}
	p := New(Config{Name: "bench", Device: tty.Name(), Line: line9600}, zerolog.Nop())
	up, got := make(chan bool, 1), make(chan int, 1)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() {
		done <- p.Run(ctx, func(c Chunk) {
			if c.Kind == Up {
				up <- true
			} else if c.Kind == Data {
				got <- len(c.Data)
			}
		})
	}()
	<-up
	text := []byte("+12.7003 mm\r\n")
	took := make([]time.Duration, 0, b.N)
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		began := time.Now()
		if _, err := peer.Write(text); err != nil {
			b.Fatal(err)
		}
		for n := 0; n < len(text); {
			n += <-got
		}
		took = append(took, time.Since(began))
	}
	b.StopTimer()
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds()), "p50-µs")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "p99-µs")
	cancel()
	if err := <-done; err != nil {
		b.Fatal(err)
	}
}
