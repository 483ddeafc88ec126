package line_test

import (
	"context"
	le "encoding/binary"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fairbore/analysis/notation"
	"fairbore/daemon/daemontest"
	"fairbore/daemon/event"
	"fairbore/daemon/store"
)

// typed makes the records of an input device for a text: lower case letters,
// digits and - by their US keys, then Enter (linux/input-event-codes.h).
func typed(text string) []byte {
	const row = "1234567890-"
	keys := map[rune]uint16{'s': 31, 'n': 49, 'j': 36, 'r': 19}
	for i, r := range row {
		keys[r] = uint16(2 + i)
	}
	var out []byte
	at := time.Duration(0)
	key := func(code uint16) {
		for _, v := range []uint32{1, 0} { // down, up
			b := make([]byte, 24)
			le.LittleEndian.PutUint64(b, uint64(1_700_000_000+at/time.Second))
			le.LittleEndian.PutUint64(b[8:], uint64(at%time.Second/time.Microsecond))
			le.LittleEndian.PutUint16(b[16:], 1)
			le.LittleEndian.PutUint16(b[18:], code)
			le.LittleEndian.PutUint32(b[20:], v)
			out = append(out, b...)
			at += 2 * time.Millisecond
		}
	}
	for _, r := range text {
		key(keys[r])
	}
	key(28)
	return out
}

// A scanner types the serial number of the next part.
func TestScannerNamesThePart(t *testing.T) {
	daemontest.Needs(t, "mkfifo")
	r := daemontest.NewRig(t)
	fifo := r.Path("scanner")
	if out, err := exec.Command("mkfifo", fifo).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	w, err := os.OpenFile(fifo, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	r.More = fmt.Sprintf(`scanner: {port: "input:%s"}`, fifo)
	r.Plug()
	r.Start()
	time.Sleep(1500 * time.Millisecond) // silent first: what follows a broken burst is not believed
	if _, err := w.Write(typed("sn-77")); err != nil {
		t.Fatal(err)
	}
	r.Eventually(20*time.Second, "the part that was scanned", func() bool { b := r.Bore(); return b.Part != nil && b.Part.Serial == "sn-77" })
	r.Stop()
}

// A spindle contact on a modem line, and a foot switch on another, as a device
// server tells of them (RFC 2217): nothing is taken while the spindle turns, and
// the pedal takes what the gauge shows.
func TestSpindleAndPedal(t *testing.T) {
	server := newModemServer(t)
	r := daemontest.NewRig(t)
	r.Device = "rfc2217://" + server.addr
	r.More = "spindle: dsr, pedal: {line: cts, do: record}, capture: settled"
	r.Start()
	server.wait(t)
	r.Eventually(20*time.Second, "the gauge to be found", func() bool { b := r.Bore(); return b.Gauge != nil && !b.Gauge.Lost })
	server.lines(t, 0x20) // DSR
	r.Eventually(20*time.Second, "the spindle to turn", func() bool { return r.Bore().Spindle })
	for i := range 40 { // two seconds of a level value, with a last digit that lives
		server.send(t, fmt.Sprintf("+31.7460%d mm\r\n", i%2))
		time.Sleep(50 * time.Millisecond)
	}
	server.lines(t, 0x20|0x10) // and the pedal
	r.Eventually(20*time.Second, "the page to say why nothing is taken", func() bool {
		more := time.AfterFunc(300*time.Millisecond, func() { io.WriteString(server.c, "+31.74600 mm\r\n") })
		defer more.Stop()
		return strings.Contains(served(r, "/stream"), notation.Format{}.Text("reading.spindle"))
	})
	if b := r.Bore(); b.Last != nil {
		t.Fatalf("a reading was taken while the spindle turns: %+v", b.Last)
	}
	server.lines(t, 0)
	r.Eventually(20*time.Second, "the spindle to stop", func() bool { return !r.Bore().Spindle })
	server.send(t, "+31.74601 mm\r\n")
	time.Sleep(100 * time.Millisecond)
	server.lines(t, 0x10)
	r.Eventually(20*time.Second, "the reading that the pedal takes", func() bool { b := r.Bore(); return b.Last != nil && b.Last.How == "manual" })
	r.Stop()
}

// A pedal whose press is refused says why, on the page and in the log, and does
// its work as soon as it can.
func TestPedalSaysWhyNothingIsDone(t *testing.T) {
	server := newModemServer(t)
	r := daemontest.NewRig(t)
	r.Device = "rfc2217://" + server.addr
	r.More = "pedal: {line: cts, do: round}"
	r.Start()
	server.wait(t)
	r.Eventually(20*time.Second, "the gauge to be found", func() bool { b := r.Bore(); return b.Gauge != nil && !b.Gauge.Lost })
	press := func() {
		for _, state := range []byte{0x10, 0} {
			server.lines(t, state)
			time.Sleep(150 * time.Millisecond)
		}
	}
	server.send(t, "+31.74600 mm\r\n") // opened within a frame, for all that is known
	server.send(t, "+31.74601 mm\r\n")
	r.Eventually(20*time.Second, "a part to begin with its first reading", func() bool { b := r.Bore(); return b.Last != nil })
	if reply := r.Do(event.Action{Do: "master"}); !reply.Done {
		t.Fatal(reply.Why)
	}
	for i := range 3 {
		server.send(t, fmt.Sprintf("+31.7500%d mm\r\n", i))
		time.Sleep(20 * time.Millisecond)
	}
	r.Eventually(20*time.Second, "the mastering", func() bool { return r.Bore().Master.OK })
	server.send(t, "+31.74602 mm\r\n")
	r.Eventually(20*time.Second, "a reading that counts", func() bool { return r.Bore().Sizes != nil })
	press()
	r.Eventually(20*time.Second, "the round that the pedal begins", func() bool { return r.Bore().Round == 1 })
	press()
	why := notation.Format{}.Text("ask.round_empty", 1)
	r.Eventually(20*time.Second, "the log to say why the next is not begun", func() bool {
		return strings.Contains(r.Log.String(), why) && strings.Contains(r.Log.String(), "pedal")
	})
	r.Eventually(20*time.Second, "the page to say it", func() bool {
		var pressed sync.WaitGroup
		defer pressed.Wait()
		pressed.Go(func() { time.Sleep(300 * time.Millisecond); press() })
		return strings.Contains(served(r, "/stream"), notation.Format{}.Text("ask.round_empty", 1))
	})
	if b := r.Bore(); b.Round != 1 {
		t.Errorf("round %d, want 1", b.Round)
	}
	r.Stop()
}

// Two values in free air, one soon after the other, strike the last reading out.
func TestTwoValuesInTheAirStrikeOut(t *testing.T) {
	r := daemontest.NewRig(t)
	r.Plug()
	r.Start()
	r.Master()
	r.Gauge.Send("+31.74600 mm\r\n")
	r.Eventually(10*time.Second, "the reading", func() bool { return r.Bore().Last != nil })
	r.Gauge.Send("+32.40000 mm\r\n")
	time.Sleep(100 * time.Millisecond) // two presses
	r.Gauge.Send("+32.40010 mm\r\n")
	r.Eventually(10*time.Second, "the reading to be struck out", func() bool {
		return slices.ContainsFunc(voids(r, "bay2"), func(v event.Void) bool { return v.Reason.Code == "void.at_gauge" })
	})
	r.Stop()
}

// voids lists what was struck out at a station, as the journal has it.
func voids(r *daemontest.Rig, station string) (out []event.Void) {
	r.T.Helper()
	j, err := store.View(r.T.Context(), r.Path("journal/journal.db"))
	if err != nil {
		r.T.Fatal(err)
	}
	defer j.Close()
	for rec, err := range j.Query(r.T.Context(), store.Filter{Station: station, Kinds: []event.Kind{event.Voided}}) {
		if err != nil {
			r.T.Fatal(err)
		}
		out = append(out, *rec.Void)
	}
	return out
}

// served is what the server answers within a second for the station's page, or for
// its stream, which does not end.
func served(r *daemontest.Rig, what string) string {
	ctx, cancel := context.WithTimeout(r.T.Context(), time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+r.Web+"/station/bay2"+what, nil)
	if err != nil {
		r.T.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return ""
	}
	defer resp.Body.Close()
	b, _ := io.ReadAll(resp.Body) // cut off by the deadline
	return string(b)
}

// modemServer is a device server with modem lines: it agrees to everything and
// tells of the lines (RFC 2217, 107 NOTIFY-MODEMSTATE).
type modemServer struct {
	addr string
	conn chan net.Conn
	c    net.Conn
}

func newModemServer(t *testing.T) *modemServer {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &modemServer{addr: ln.Addr().String(), conn: make(chan net.Conn, 1)}
	t.Cleanup(func() { ln.Close() })
	go func() {
		c, err := ln.Accept()
		if err != nil {
			return
		}
		s.conn <- c
	}()
	return s
}

// wait takes the connection and answers each request of the client as agreed to.
func (s *modemServer) wait(t *testing.T) {
	select {
	case s.c = <-s.conn:
	case <-time.After(20 * time.Second):
		t.Fatal("nobody connected")
	}
	t.Cleanup(func() { s.c.Close() })
	go answer(s.c)
}

// Telnet (RFC 854) and the com port option (RFC 2217).
const (
	iac, will, do, sb, se = 255, 251, 253, 250, 240
	comPort               = 44
)

func answer(c net.Conn) {
	buf, in := make([]byte, 1024), []byte(nil)
	for {
		n, err := c.Read(buf)
		if err != nil {
			return
		}
		in = append(in, buf[:n]...)
		for len(in) >= 3 {
			switch {
			case in[0] != iac:
				in = in[1:]
			case in[1] == will:
				c.Write([]byte{iac, do, in[2]})
				in = in[3:]
			case in[1] == do:
				c.Write([]byte{iac, will, in[2]})
				in = in[3:]
			case in[1] == sb:
				end := index(in, iac, se)
				if end < 0 || len(in) < 5 {
					goto more
				}
				reply := append([]byte(nil), in[:end+2]...)
				reply[3] += 100
				c.Write(reply)
				in = in[end+2:]
			default:
				in = in[3:]
			}
		}
	more:
	}
}

func index(b []byte, x, y byte) int {
	for i := 2; i+1 < len(b); i++ {
		if b[i] == x && b[i+1] == y {
			return i
		}
	}
	return -1
}

func (s *modemServer) lines(t *testing.T, state byte) {
	if _, err := s.c.Write([]byte{iac, sb, comPort, 107, state, iac, se}); err != nil {
		t.Fatal(err)
	}
}

func (s *modemServer) send(t *testing.T, text string) {
	if _, err := io.WriteString(s.c, text); err != nil {
		t.Fatal(err)
	}
}
