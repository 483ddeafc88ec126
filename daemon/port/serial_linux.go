package port

import (
	"errors"
	"fmt"
	"os"
	"time"
	"unsafe"

	"fairbore/analysis"
	"fairbore/drivers"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// ttyLink is a serial line or pseudo-terminal on Linux. Besides the library's port it has a side
// descriptor of its own on the same terminal. The side descriptor holds the lock and never blocks.
// It is used to read, to write, and to set what the library does not set.
type ttyLink struct {
	*serialPort
	path  string
	line  drivers.Serial
	file  *os.File
	side  int // the side descriptor, that of file
	id    Adapter
	dev   uint64       // device number, to check that the path still leads to this device
	set   unix.Termios // the settings after the opening
	start icounter     // kernel counts at the opening
	last  icounter     // kernel counts at the latest read
	count bool         // the driver keeps counts
}

func (o *serialOpener) open() (link, error) {
	t := &ttyLink{path: o.cfg.Device, line: o.cfg.Line}
	if err := t.reserve(o); err != nil {
		return nil, err
	}
	if err := t.prepare(o); err != nil {
		return nil, errors.Join(err, t.close())
	}
	return t, nil
}

// reserve opens the side descriptor and locks the device. It does so before any setting of the
// device is changed.
func (t *ttyLink) reserve(o *serialOpener) error {
	fd, err := unix.Open(t.path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return explain(t.path, err, o.cfg.Host)
	}
	t.side, t.file = fd, os.NewFile(uintptr(fd), t.path)
	if err := t.lock(o); err != nil {
		return errors.Join(err, t.file.Close())
	}
	return nil
}

func (t *ttyLink) lock(o *serialOpener) error {
	var st unix.Stat_t
	if err := unix.Fstat(t.side, &st); err != nil {
		return fmt.Errorf("%s: %w", t.path, err)
	}
	t.dev = uint64(st.Rdev)
	switch _, err := unix.IoctlGetTermios(t.side, unix.TCGETS2); {
	case errors.Is(err, unix.EIO): // the line was hung up in the meantime
		return fmt.Errorf("%s: %w", t.path, err)
	case err != nil:
		return refuse("port.not_serial", t.path, err)
	}
	err := unix.Flock(t.side, unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return busy(t.path, o.cfg.Host.lockHolder(uint64(st.Dev), st.Ino))
	}
	if err != nil {
		return fault{analysis.Say("port.lock", t.path, err), err}
	}
	if exclusive, err := unix.IoctlGetInt(t.side, unix.TIOCGEXCL); err == nil && exclusive != 0 {
		who := o.cfg.Host.openers(t.dev)
		if !t.pty() || who != "" {
			return busy(t.path, who)
		}
		// On a pseudo-terminal the flag remains after its holder was killed, as long as the other
		// end is open (tried). Nobody has the line open, so it is free.
	}
	t.id = o.cfg.Host.Adapter(unix.Major(t.dev), unix.Minor(t.dev))
	if !o.known {
		o.advise()
	}
	if who := o.cfg.Host.openers(t.dev); who != "" {
		o.log.Warn().Str("who", who).Msg("another program has the line open too; it may take bytes away")
	}
	return o.recognise(t.id)
}

// advise logs the stable name to configure if a node is configured. The number of a node changes
// with the order in which the adapters are plugged in.
func (o *serialOpener) advise() {
	if stable := o.cfg.Host.orSystem().stableNames()[o.cfg.Device]; stable != "" {
		o.log.Warn().Str("stable", stable).Msg("the device has a name that stays; configure that")
	}
}

func (t *ttyLink) pty() bool {
	major := unix.Major(t.dev)
	// These are the Unix98 pseudo-terminal slaves (Linux admin-guide, devices.txt).
	return major >= 136 && major <= 143
}

// prepare opens the library's port and sets what the library does not set.
func (t *ttyLink) prepare(o *serialOpener) error {
	// Closing must not drop DTR, since that resets some gauges. This is set before the library
	// changes anything.
	if err := t.change(func(s *unix.Termios) { s.Cflag &^= unix.HUPCL }); err != nil {
		return fmt.Errorf("%s: %w", t.path, err)
	}
	if t.pty() { // a stale exclusive flag would keep an ordinary user out
		if err := unix.IoctlSetInt(t.side, unix.TIOCNXCL, 0); err != nil {
			return fmt.Errorf("%s: %w", t.path, err)
		}
	}
	port, err := openSerial(t.path, t.line)
	if err != nil {
		return explain(t.path, err, o.cfg.Host)
	}
	port.Port = &polled{Port: port.Port, file: t.file}
	t.serialPort = port
	if t.pty() {
		// The lock keeps other daemons away. The exclusive flag would remain after a crash.
		err = unix.IoctlSetInt(t.side, unix.TIOCNXCL, 0)
	} else {
		t.serialPort.marks = &marks{}
		// With INPCK the kernel marks framing errors and breaks too, even without parity (from
		// memory of the kernel's serial core).
		err = t.change(func(s *unix.Termios) { s.Iflag |= unix.PARMRK | unix.INPCK; s.Iflag &^= unix.IGNPAR })
	}
	if err != nil {
		return fmt.Errorf("%s: %w", t.path, err)
	}
	now, err := unix.IoctlGetTermios(t.side, unix.TCGETS2)
	if err != nil {
		return fmt.Errorf("%s: %w", t.path, err)
	}
	t.set = *now
	if err := t.checkSettings(); err != nil {
		return err
	}
	t.start, t.count = readCounts(t.side)
	t.last = t.start
	return t.check()
}

func (t *ttyLink) change(f func(*unix.Termios)) error {
	s, err := unix.IoctlGetTermios(t.side, unix.TCGETS2)
	if err != nil {
		return err
	}
	f(s)
	return unix.IoctlSetTermios(t.side, unix.TCSETS2, s)
}

// checkSettings refuses a line whose driver did not accept our settings. A pseudo-terminal accepts
// only the rate, since it sends no bits on a wire.
func (t *ttyLink) checkSettings() error {
	got := lineOf(&t.set)
	// 2 % is half the tolerance of a UART (common practice).
	if off := abs(got.Baud - t.line.Baud); off*50 > t.line.Baud {
		return refuse("port.adapter_baud", t.path, got.Baud, t.line.Baud)
	}
	got.Baud = t.line.Baud
	if !t.pty() && got != t.line {
		return refuse("port.adapter_line", t.path, got, t.line)
	}
	return nil
}

// lineOf returns the settings of a line from those of its terminal.
func lineOf(s *unix.Termios) drivers.Serial {
	l := drivers.Serial{Baud: int(s.Ospeed), Data: 5, Parity: "none", Stop: 1}
	switch s.Cflag & unix.CSIZE {
	case unix.CS6:
		l.Data = 6
	case unix.CS7:
		l.Data = 7
	case unix.CS8:
		l.Data = 8
	}
	if s.Cflag&unix.PARENB != 0 {
		odd, stick := s.Cflag&unix.PARODD != 0, s.Cflag&unix.CMSPAR != 0
		l.Parity = [2][2]string{{"even", "odd"}, {"space", "mark"}}[bit(stick)][bit(odd)]
	}
	if s.Cflag&unix.CSTOPB != 0 {
		l.Stop = 2
	}
	return l
}

func bit(b bool) int {
	if b {
		return 1
	}
	return 0
}

// polled is the library's port, but it reads through the runtime's poller. The library's select
// needs a thread for each line and wakes that thread for each frame. With many lines that costs
// more than the work on the frames.
type polled struct {
	serial.Port
	file *os.File
	wait time.Duration
}

// SetReadTimeout implements serial.Port.
func (p *polled) SetReadTimeout(wait time.Duration) error {
	p.wait = wait
	return nil
}

// waitLeast is the shortest wait. After its deadline has passed, the poller does not even read the
// bytes that have already come.
const waitLeast = time.Millisecond / 2

// Read implements serial.Port.
func (p *polled) Read(b []byte) (int, error) {
	// A line whose device is gone reads the end of the stream.
	return readWithin(p.file, max(p.wait, waitLeast), b, analysis.Say("port.went_away"))
}

// read reads the line. If the driver has counted lost bytes, read reports the loss before it passes
// on the bytes that it read.
func (t *ttyLink) read(wait time.Duration, got func([]byte, bool)) error {
	if !t.count {
		return t.serialPort.read(wait, got)
	}
	return t.serialPort.read(wait, func(data []byte, damaged bool) {
		if now, ok := readCounts(t.side); ok {
			lost := now.Overrun != t.last.Overrun || now.BufOverrun != t.last.BufOverrun
			t.last = now
			if lost {
				got(nil, true)
			}
		}
		got(data, damaged)
	})
}

// write writes to the side descriptor, which doesn't block. If the device takes nothing, write
// fails after writeLimit. A write through the library would block its goroutine until the device
// goes away.
func (t *ttyLink) write(b []byte) error {
	deadline := time.Now().Add(writeLimit)
	for len(b) > 0 {
		n, err := unix.Write(t.side, b)
		switch {
		case err == nil:
			b = b[n:]
		case errors.Is(err, unix.EINTR):
		case errors.Is(err, unix.EAGAIN):
			left := time.Until(deadline)
			if left <= 0 {
				return analysis.Say("port.not_taken", writeLimit)
			}
			poll := []unix.PollFd{{Fd: int32(t.side), Events: unix.POLLOUT}}
			if _, err := unix.Poll(poll, int(left/time.Millisecond)+1); err != nil && !errors.Is(err, unix.EINTR) {
				return err
			}
		default:
			return err
		}
	}
	return nil
}

// check checks that the path still leads to this device. It also checks that nobody has changed the
// settings of the device, which the superuser can do.
func (t *ttyLink) check() error {
	var st unix.Stat_t
	switch err := unix.Stat(t.path, &st); {
	case errors.Is(err, unix.ENOENT):
		return analysis.Say("port.gone", t.path)
	case err != nil:
		return fmt.Errorf("%s: %w", t.path, err)
	case uint64(st.Rdev) != t.dev:
		return analysis.Say("port.another_device", t.path)
	}
	now, err := unix.IoctlGetTermios(t.side, unix.TCGETS2)
	if err != nil {
		return fmt.Errorf("%s: %w", t.path, err)
	}
	if was, is := lineOf(&t.set), lineOf(now); was != is {
		return analysis.Say("port.set_by_another", t.path, is)
	}
	return nil
}

func (t *ttyLink) lines() (ModemLines, error) {
	b, err := unix.IoctlGetInt(t.side, unix.TIOCMGET)
	if errors.Is(err, unix.ENOTTY) || errors.Is(err, unix.EINVAL) {
		return ModemLines{}, fmt.Errorf("%s: %w", t.path, errNoLines)
	}
	return ModemLines{CTS: b&unix.TIOCM_CTS != 0, DSR: b&unix.TIOCM_DSR != 0, DCD: b&unix.TIOCM_CD != 0, RI: b&unix.TIOCM_RI != 0}, err
}

func (t *ttyLink) counts() (KernelCounts, bool) {
	if !t.count {
		return KernelCounts{}, false
	}
	now, ok := readCounts(t.side)
	return now.since(t.start), ok
}

func (t *ttyLink) adapter() Adapter { return t.id }

func (t *ttyLink) String() string {
	if (t.id == Adapter{}) {
		return fmt.Sprintf("%s at %v", t.path, t.line)
	}
	return fmt.Sprintf("%s at %v, %v", t.path, t.line, t.id)
}

// close discards the bytes that have not been sent yet. Otherwise closing would wait for a device
// that takes nothing. Then close closes both descriptors, and the one with the lock last.
func (t *ttyLink) close() error {
	var flush, closing error
	if err := unix.IoctlSetInt(t.side, unix.TCFLSH, unix.TCOFLUSH); err != nil && !errors.Is(err, unix.EIO) {
		flush = err // EIO would mean that the line has already hung up
	}
	if t.serialPort != nil {
		closing = t.Port.Close()
	}
	return errors.Join(flush, closing, t.file.Close())
}

// icounter is struct serial_icounter_struct of linux/serial.h.
type icounter struct {
	CTS, DSR, RNG, DCD, RX, TX, Frame, Overrun, Parity, Break, BufOverrun int32
	_                                                                     [9]int32
}

func readCounts(fd int) (icounter, bool) {
	var c icounter
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), unix.TIOCGICOUNT, uintptr(unsafe.Pointer(&c)))
	return c, errno == 0
}

// since returns the counts of c minus those of o. The counters may have wrapped.
func (c icounter) since(o icounter) KernelCounts {
	d := func(a, b int32) uint64 { return uint64(uint32(a - b)) }
	return KernelCounts{Frame: d(c.Frame, o.Frame), Parity: d(c.Parity, o.Parity), Break: d(c.Break, o.Break),
		Overrun: d(c.Overrun, o.Overrun), BufOverrun: d(c.BufOverrun, o.BufOverrun)}
}
