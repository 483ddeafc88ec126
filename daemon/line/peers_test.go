package line_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"fairbore/analysis"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
)

// Every way in, from the byte to the journal, through the real program and a peer
// that is not ours where there is one.

// sizes are the raw values of readings, the same one after another once.
func sizes(readings []event.Reading) (out []analysis.Length) {
	for _, x := range readings {
		out = append(out, x.Raw)
	}
	return slices.Compact(out)
}

// size is the i-th value of a load, 31.7400 mm and 0.1 µm more each, within the
// band of the job.
func size(i int) analysis.Length { return 317_400_000 + analysis.Length(i)*1000 }

func sized(i int) string { return "+" + size(i).Format(analysis.MM, 4) + " mm\r\n" }

// pair is two pseudo-terminals of socat, joined: the line and the gauge's end.
func pair(t *testing.T, line, far string) {
	t.Helper()
	begin(t, "socat", "pty,raw,echo=0,link="+line, "pty,raw,echo=0,link="+far)
	waitFor(t, "socat's lines", func() bool {
		_, a := os.Stat(line)
		_, b := os.Stat(far)
		return a == nil && b == nil
	})
}

// begin starts a peer, to be ended with the test.
func begin(t *testing.T, name string, args ...string) {
	t.Helper()
	cmd := exec.Command(name, args...)
	var out daemontest.LockedBuffer
	cmd.Stdout, cmd.Stderr = &out, &out
	peer(t, cmd, &out)
}

func peer(t *testing.T, cmd *exec.Cmd, out fmt.Stringer) {
	t.Helper()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if t.Failed() {
			t.Logf("%s said:\n%s", filepath.Base(cmd.Path), out)
		}
	})
}

func waitFor(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited for %s", what)
		}
	}
}

func open(t *testing.T, path string) *os.File {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// ptys makes a line that the test plays the gauge on.
func ptys(t *testing.T, link string) *os.File {
	t.Helper()
	m, _ := daemontest.PtyAt(t, link)
	return m
}

const lineGauge = "  G-11: {driver: line, unit: mm, step: 0.1 um, repeatability: 0.15 um}\n"

// A device server of another make, plain and by RFC 2217, with a pseudo-terminal
// behind it: every value is in the journal, in order.
func TestPeer_DeviceServer(t *testing.T) {
	daemontest.Needs(t, "ser2net", "socat")
	for _, c := range []struct{ name, scheme, accepter string }{
		{"plain", "tcp://", "tcp"},
		{"rfc2217", "rfc2217://", "telnet(rfc2217),tcp"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := daemontest.NewRig(t)
			line, far := r.Path("line"), r.Path("far")
			pair(t, line, far)
			addr := daemontest.FreePort(t)
			host, number, _ := net.SplitHostPort(addr)
			conf := r.Path("ser2net.yaml")
			text := fmt.Sprintf("connection: &g\n  accepter: %s,%s,%s\n  connector: serialdev,%s,9600n81,local\n", c.accepter, host, number, line)
			if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			begin(t, "ser2net", "-n", "-d", "-c", conf)
			waitFor(t, "ser2net", func() bool {
				conn, err := net.Dial("tcp", addr)
				if err == nil {
					conn.Close()
				}
				return err == nil
			})
			r.Shop(lineGauge, fmt.Sprintf("  - {name: bay2, gauge: G-11, port: \"%s%s\", job: J-4112, bounce: 1ms}\n", c.scheme, addr))
			gauge := open(t, far)
			// The first frames after opening may be doubted; a gauge at rest sends the same.
			r.Eventually(10*time.Second, "the first reading", func() bool {
				io.WriteString(gauge, sized(0))
				b := r.Bore()
				return b != nil && b.Last != nil && b.Last.Raw == size(0)
			})
			const n = 40
			var want []analysis.Length
			for i := range n {
				want = append(want, size(i))
				if i > 0 {
					io.WriteString(gauge, sized(i))
				}
			}
			r.Shown(size(n - 1))
			r.Stop()
			if got := sizes(r.Taken("bay2")); !slices.Equal(got, want) {
				t.Errorf("the journal has %d values %v, %d were sent", len(got), got, n)
			}
		})
	}
}

// modbusServer is python3-pymodbus with registers that the test sets.
type modbusServer struct {
	t   *testing.T
	in  io.WriteCloser
	out *bufio.Scanner
}

func newModbusServer(t *testing.T, kind, at string, more ...string) *modbusServer {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute) // or a line that it owes would be waited for for ever
	t.Cleanup(cancel)
	cmd := exec.CommandContext(ctx, "/usr/bin/python3", append([]string{"../../testdata/listen/modbus_server.py", kind, at}, more...)...)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var faults daemontest.LockedBuffer
	cmd.Stderr = &faults
	peer(t, cmd, &faults)
	s := &modbusServer{t, in, bufio.NewScanner(out)}
	s.says("ready")
	return s
}

func (s *modbusServer) says(want string) {
	s.t.Helper()
	if !s.out.Scan() || s.out.Text() != want {
		s.t.Fatalf("the server said %q, want %q", s.out.Text(), want)
	}
}

func (s *modbusServer) set(address int, words uint32) { s.setUnit(1, address, words) }

func (s *modbusServer) setUnit(unit, address int, words uint32) {
	s.t.Helper()
	fmt.Fprintf(s.in, "%d %08x %d\n", address, words, unit)
	s.says("set")
}

func needsModbus(t *testing.T) {
	t.Helper()
	daemontest.Needs(t, "socat", "/usr/bin/python3")
	if out, err := exec.Command("/usr/bin/python3", "-c", "import pymodbus.server, serial_asyncio").CombinedOutput(); err != nil {
		daemontest.Missing(t, "python3-pymodbus and python3-serial-asyncio: "+string(out))
	}
}

// A Modbus slave of another make, over a serial line and over a network, with
// integers and with floats of another word order.
func TestPeer_Modbus(t *testing.T) {
	needsModbus(t)
	for _, c := range []struct {
		name, gauge string
		address     int
		words       func(i int) uint32
	}{
		{"rtu", "{driver: modbus-rtu, unit: mm, options: {registers: 'size@2:int32:0.0001:mm', function: '3', interval: 20ms, timeout: 500ms}, channels: {size: size}}", 2,
			func(i int) uint32 { return uint32(size(i) / 1000) }},
		{"tcp", "{driver: modbus-tcp, unit: mm, options: {registers: 'size@4:float32:0.0001:mm', function: '4', order: CDAB, interval: 20ms}, channels: {size: size}}", 4,
			func(i int) uint32 {
				f := math.Float32bits(float32(float64(size(i)) * 1e-7))
				return f<<16 | f>>16
			}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := daemontest.NewRig(t)
			device, at := r.Path("line"), r.Path("far")
			if c.name == "rtu" {
				pair(t, device, at)
			} else {
				addr := daemontest.FreePort(t)
				device = "tcp://" + addr
				_, at, _ = net.SplitHostPort(addr)
			}
			s := newModbusServer(t, c.name, at)
			s.set(c.address, c.words(0))
			r.Shop("  A-1: "+c.gauge+"\n", fmt.Sprintf("  - {name: bay2, gauge: A-1, port: \"%s\", line: {baud: 19200, parity: none}, job: J-4112, bounce: 10s}\n", device))
			const n = 12
			var want []analysis.Length
			for i := range n {
				s.set(c.address, c.words(i))
				r.Shown(size(i))
				want = append(want, size(i))
			}
			r.Stop()
			if got := sizes(r.Taken("bay2")); !slices.Equal(got, want) {
				t.Errorf("the journal has %v, the server held %v", got, want)
			}
		})
	}
}

// script is an instrument that is asked: it notes every request and answers.
type script struct {
	mu    sync.Mutex
	asked []string
}

func (s *script) play(line io.ReadWriter, end string, answer func(n int, request string) string) {
	in := bufio.NewReader(line)
	for n := 0; ; n++ {
		request, err := in.ReadString(end[len(end)-1])
		if err != nil {
			return
		}
		s.mu.Lock()
		s.asked = append(s.asked, request)
		s.mu.Unlock()
		io.WriteString(line, answer(n, request))
	}
}

// until waits until the script has come to its end.
func (s *script) until(t *testing.T, end <-chan struct{}) {
	t.Helper()
	select {
	case <-end:
	case <-time.After(10 * time.Second):
		t.Fatalf("asked %q", s.requests())
	}
}

func (s *script) requests() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.asked)
}

// A gauge that is asked for each value, and once does not answer: it is asked as
// configured and nothing else, and the values of the answers are the journal's.
func TestPeer_AskedGauge(t *testing.T) {
	t.Parallel()
	r := daemontest.NewRig(t)
	line := ptys(t, r.Device)
	const n = 15
	var s script
	value, told := 0, make(chan struct{})
	go s.play(line, "\r", func(i int, request string) string {
		switch {
		case i == 5: // asleep
			return ""
		case value == n:
			return "----\r"
		}
		value++
		if value == n {
			close(told)
		}
		return sized(value - 1)
	})
	r.Shop("  A-1: {driver: ask, unit: mm, options: {request: 'V?\\r', interval: 20ms, timeout: 200ms, unit: mm}}\n",
		fmt.Sprintf("  - {name: bay2, gauge: A-1, port: %s, job: J-4112, bounce: 1ms}\n", r.Device))
	s.until(t, told)
	r.Shown(size(n - 1))
	r.Stop()
	var want []analysis.Length
	for i := range n {
		want = append(want, size(i))
	}
	if got := sizes(r.Taken("bay2")); !slices.Equal(got, want) {
		t.Errorf("the journal has %v, %v were answered", got, want)
	}
	for _, q := range s.requests() {
		if q != "V?\r" {
			t.Errorf("it was asked %q", q)
		}
	}
}

// An instrument with SCPI, by IEEE 488.2: it is begun with as configured, asked
// for errors after an answer that is none, until it has no more, and an overload
// is no value.
func TestPeer_SCPIInstrument(t *testing.T) {
	t.Parallel()
	r := daemontest.NewRig(t)
	line := ptys(t, r.Device)
	answers := []string{ // one for each request after the first, which has none
		"+3.17400000E+01\n", "+3.17E\n", "-113,\"Undefined header\"\n", "0,\"No error\"\n", "+3.17401000E+01\n", "+9.9E+37\n", "31.7402\n",
	}
	var s script
	done := make(chan struct{})
	go s.play(line, "\n", func(i int, request string) string {
		switch {
		case request == "SYST:REM\n":
			return ""
		case i-1 >= len(answers):
			return "+9.91E+37\n"
		case i-1 == len(answers)-1:
			defer close(done)
		}
		return answers[i-1]
	})
	r.Shop("  A-1: {driver: scpi, unit: mm, options: {query: 'MEAS?', begin: 'SYST:REM', interval: 20ms, timeout: 500ms, quiet: 50ms, unit: mm}}\n",
		fmt.Sprintf("  - {name: bay2, gauge: A-1, port: %s, job: J-4112, bounce: 1ms}\n", r.Device))
	s.until(t, done)
	r.Shown(size(2))
	r.Stop()
	if got := sizes(r.Taken("bay2")); !slices.Equal(got, []analysis.Length{size(0), size(1), size(2)}) {
		t.Errorf("the journal has %v", got)
	}
	want := []string{"SYST:REM\n", "MEAS?\n", "MEAS?\n", "SYST:ERR?\n", "SYST:ERR?\n", "MEAS?\n", "MEAS?\n", "MEAS?\n"}
	if got := s.requests(); len(got) < len(want) || !slices.Equal(got[:len(want)], want) {
		t.Errorf("it was asked %q, want %q first", got, want)
	}
}

// A depth scale and a temperature sensor on lines of their own: each value counts
// at the section where the gauge stood when it came, and the part's temperature is
// known with it. A value without a depth is refused.
func TestPeer_InstrumentsBeside(t *testing.T) {
	t.Parallel()
	r := daemontest.NewRig(t)
	gauge := ptys(t, r.Device)
	depth, warm := ptys(t, r.Path("depth")), ptys(t, r.Path("warm"))
	r.Shop(lineGauge+"  Z-1: {driver: line, unit: mm, options: {channels: Z}, channels: {Z: depth}}\n"+
		"  T-1: {driver: line, unit: mm, options: {channels: T}, channels: {T: part temperature}}\n",
		fmt.Sprintf("  - {name: bay2, gauge: G-11, port: %s, job: J-4112, bounce: 1ms, other_instruments: [{gauge: Z-1, port: %s}, {gauge: T-1, port: %s}]}\n", r.Device, r.Path("depth"), r.Path("warm")))
	at := analysis.Temperature(0)
	r.Eventually(10*time.Second, "the part's temperature", func() bool {
		io.WriteString(warm, "T+23.5 degC\r\n")
		if b := r.Bore(); b != nil && b.Warm != nil && b.Warm.Part != nil {
			at = *b.Warm.Part
		}
		return at != 0
	})
	if at != 235*analysis.Celsius/10 {
		t.Errorf("the part has %v, want 23.5 °C", at)
	}
	for i, c := range []struct{ depth, place string }{{"32.4", "32 mm"}, {"57.1", "58 mm"}, {"5.0", "5 mm"}, {"31.0", "32 mm"}} {
		r.Eventually(10*time.Second, "the reading at "+c.place, func() bool {
			io.WriteString(depth, "Z"+c.depth+" mm\r\n")
			time.Sleep(20 * time.Millisecond) // between the ports: they are joined by time
			io.WriteString(gauge, sized(i))
			b := r.Bore()
			return b != nil && b.Last != nil && b.Last.Raw == size(i) && strings.HasPrefix(b.Last.Place.String(), c.place+" /")
		})
	}
	time.Sleep(2100 * time.Millisecond) // the depth is older than 2 s now
	before := len(r.Taken("bay2"))
	io.WriteString(gauge, sized(50))
	r.Eventually(5*time.Second, "the refusal", func() bool { b := r.Bore(); return b != nil && b.Refused != nil })
	if b := r.Bore(); b.Refused.Reason.Code != "reading.no_depth" {
		t.Errorf("refused because %q", b.Refused.Reason)
	}
	if n := r.Counted("fairbore_refusals_total{", "bay2"); n == 0 {
		t.Error("the refusal is not counted")
	}
	r.Stop()
	if n := len(r.Taken("bay2")); n != before {
		t.Errorf("a value without a depth was taken")
	}
}

// A line that floods with noise, from another program, never disturbs another
// station: its values are all taken in order while the noise goes on, and none of
// the noise is.
func TestPeer_NoiseNextDoor(t *testing.T) {
	daemontest.Needs(t, "socat")
	t.Parallel()
	r := daemontest.NewRig(t)
	gauge := ptys(t, r.Device)
	line, far := r.Path("bad"), r.Path("far")
	pair(t, line, far)
	r.Shop(lineGauge+"  G-12: {driver: line, unit: mm}\n",
		fmt.Sprintf("  - {name: bay2, gauge: G-11, port: %s, job: J-4112, bounce: 1ms}\n  - {name: bay3, gauge: G-12, port: %s, job: J-4112}\n", r.Device, line))
	begin(t, "socat", "-u", "OPEN:/dev/urandom", "OPEN:"+far+",wronly")
	noise := func() bool { return r.Counted(`fairbore_rejects_total{`, "bay3") > 1000 }
	r.Eventually(10*time.Second, "noise", noise)
	r.Eventually(10*time.Second, "the first reading", func() bool {
		io.WriteString(gauge, sized(0))
		b := r.Bore()
		return b != nil && b.Last != nil && b.Last.Raw == size(0)
	})
	var want []analysis.Length
	for i := range 60 {
		want = append(want, size(i))
		if i > 0 {
			io.WriteString(gauge, sized(i))
			time.Sleep(10 * time.Millisecond)
		}
	}
	r.Shown(size(59))
	seen := r.Counted(`fairbore_rejects_total{`, "bay3")
	r.Eventually(5*time.Second, "more noise", func() bool { return r.Counted(`fairbore_rejects_total{`, "bay3") > seen })
	r.Stop()
	if got := sizes(r.Taken("bay2")); !slices.Equal(got, want) {
		t.Errorf("the journal has %d values %v, want %d", len(got), got, len(want))
	}
	if got := r.Taken("bay3"); len(got) > 0 {
		t.Errorf("%d values were taken of noise", len(got))
	}
}

// What listen writes about an unknown gauge is, put into a configuration, one that
// the program checks, runs with, and takes the gauge's values by.
func TestPeer_ListenThenRun(t *testing.T) {
	t.Parallel()
	r := daemontest.NewRig(t)
	gauge := ptys(t, r.Device)
	stop := make(chan struct{})
	var sender sync.WaitGroup
	var next int
	sender.Go(func() {
		tick := time.NewTicker(25 * time.Millisecond)
		defer tick.Stop()
		for ; ; next++ {
			select {
			case <-stop:
				return
			case <-tick.C:
				io.WriteString(gauge, strings.Replace(strings.TrimSuffix(sized(next%20), " mm\r\n"), ".", ",", 1)+"\r")
			}
		}
	})
	quit := sync.OnceFunc(func() { close(stop); sender.Wait() })
	t.Cleanup(quit)
	out, rec := r.Path("new.yaml"), r.Path("new.rec")
	code, said := r.Exit("listen", r.Device, "--name", "bay2", "--for", "400ms", "--shows", "31.7405 mm", "--shows", "31,7411 mm", "-o", out, "--record", rec)
	if code != 0 {
		t.Fatalf("listen: exit %d: %s", code, said)
	}
	block, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	head, tail, _ := strings.Cut(string(block), "stations:\n")
	_, gauges, _ := strings.Cut(head, "gauges:\n")
	r.Shop(gauges, strings.TrimRight(tail, "\n")+"\n    job: J-4112\n    bounce: 1ms\n")
	if code, said := r.Exit("check", r.Path("fairbore.yaml")); code != 0 {
		t.Errorf("check: exit %d: %s", code, said)
	}
	r.Eventually(10*time.Second, "20 readings", func() bool { b := r.Bore(); return b != nil && b.Last != nil && b.Last.No >= 20 })
	quit()
	r.Stop()
	for i, x := range r.Taken("bay2") {
		if n := int(x.Raw-size(0)) / 1000; x.Raw != size(n) || n < 0 || n >= 20 {
			t.Fatalf("reading %d is %s, which was never sent", i, x.Raw)
		}
	}
	if code, said := r.Exit("replay", "-c", r.Path("fairbore.yaml"), rec); code != 0 || !strings.Contains(said, `"raw_mm"`) {
		t.Errorf("replay of the recording: exit %d: %.500s", code, said)
	}
}

// Where the format has no check, a digit that was damaged on the way makes another
// value. What can't be one of the job is refused with its reason and counted; it
// is no reading.
func TestPeer_DamagedDigits(t *testing.T) {
	t.Parallel()
	r := daemontest.NewRig(t)
	gauge := ptys(t, r.Device)
	r.Shop(lineGauge, fmt.Sprintf("  - {name: bay2, gauge: G-11, port: %s, job: J-4112, bounce: 1ms}\n", r.Device))
	r.Eventually(10*time.Second, "the first reading", func() bool {
		io.WriteString(gauge, sized(0))
		b := r.Bore()
		return b != nil && b.Last != nil && b.Last.Raw == size(0)
	})
	before := r.Counted("fairbore_refusals_total{", "bay2")
	for i, damaged := range []string{"+71.7400 mm\r\n", "+30.7400 mm\r\n", "-31.7400 mm\r\n", "+31.3400 mm\r\n"} {
		io.WriteString(gauge, damaged)
		r.Eventually(10*time.Second, "the refusal of "+damaged, func() bool { return r.Counted("fairbore_refusals_total{", "bay2") == before+float64(i+1) })
		r.Eventually(10*time.Second, "the reason of "+damaged, func() bool { b := r.Bore(); return b != nil && b.Refused != nil && !b.Refused.Reason.IsZero() })
	}
	io.WriteString(gauge, sized(1))
	r.Shown(size(1))
	r.Stop()
	if got := sizes(r.Taken("bay2")); !slices.Equal(got, []analysis.Length{size(0), size(1)}) {
		t.Errorf("the journal has %v", got)
	}
}
