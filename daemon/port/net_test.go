package port

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"fairbore/drivers"

	"github.com/rs/zerolog"
	"pgregory.net/rapid"
)

// serve listens on loopback and gives each connection to handle.
func serve(t *testing.T, handle func(net.Conn)) (address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	t.Cleanup(func() { l.Close(); wg.Wait() })
	wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			wg.Go(func() { defer c.Close(); handle(c) })
		}
	})
	return l.Addr().String()
}

// inMemory returns an opener of a connection in memory, whose other end it gives to
// handle. Unlike a socket it can be used in a synctest bubble.
func inMemory(handle func(net.Conn)) func() net.Conn {
	return func() net.Conn {
		here, there := net.Pipe()
		out := make(chan []byte, 64)
		go func() {
			for b := range out {
				there.Write(b)
			}
		}()
		go func() {
			defer there.Close()
			defer close(out)
			handle(queued{there, out})
		}()
		return here
	}
}

// queued is a connection whose writes don't wait for the reader.
type queued struct {
	net.Conn
	out chan<- []byte
}

func (q queued) Write(b []byte) (int, error) {
	q.out <- bytes.Clone(b)
	return len(b), nil
}

// runTCP runs a port on a connection in memory.
func runTCP(t *testing.T, c Config, handle func(net.Conn)) *running {
	t.Helper()
	c.Device = schemeTCP + "server:1"
	dial := inMemory(handle)
	return runOpen(t, c, func(context.Context) (link, error) { return newTCP(dial(), "server:1", c.Stale), nil })
}

// runRFC2217 runs a port on a device server in memory.
func runRFC2217(t *testing.T, c Config, handle func(net.Conn)) *running {
	t.Helper()
	c.Device = schemeRFC2217 + "server:1"
	dial := inMemory(handle)
	return runOpen(t, c, nil, func(p *Port) {
		p.open = func(ctx context.Context) (link, error) {
			return newRFC2217(ctx, newTCP(dial(), "server:1", 0), "server:1", c, p.log)
		}
	})
}

func TestTCP_ReconnectsAndTellsOfThePartialFrame(t *testing.T) {
	t.Parallel()
	var n atomic.Int32
	address := serve(t, func(c net.Conn) {
		if n.Add(1) == 1 {
			io.WriteString(c, "+12.7003 mm\r\n+12.")
			return
		}
		line, _ := bufio.NewReader(c).ReadString('\r')
		io.WriteString(c, "asked "+line+"\n")
		io.Copy(io.Discard, c)
	})
	r := run(t, Config{Device: schemeTCP + address, Silence: 20 * time.Millisecond})
	r.until("the second connection", func() bool { return r.number(Up) == 2 })
	if err := r.Write(t.Context(), []byte("?\r")); err != nil {
		t.Fatal(err)
	}
	r.until("the reply", func() bool { return strings.HasSuffix(r.bytes(), "asked ?\r\n") })
	r.until("silence", func() bool { return r.number(Idle) > 0 })
	if err := r.stop(); err != nil {
		t.Error(err)
	}
	s := sequence(slices.DeleteFunc(r.chunks(), func(c Chunk) bool { return c.Kind == Idle }))
	if s != "up, data, lost, up, data" {
		t.Errorf("told %s", s)
	}
	if !strings.Contains(r.log.String(), "port.server_closed") {
		t.Errorf("log:\n%s", r.log)
	}
}

func TestTCP_NobodyThere(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	r := run(t, Config{Device: schemeTCP + address})
	r.until("the loss", func() bool { return r.number(Lost) == 1 })
	if why := r.Status().Why; why.Code != "port.connect" || !strings.Contains(why.Error(), "refused") {
		t.Errorf("why: %s", why)
	}
}

func TestTCP_StreamThatFellSilentIsLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := runTCP(t, Config{Stale: time.Second}, func(c net.Conn) {
			io.WriteString(c, "+12.7003 mm\r\n")
			io.Copy(io.Discard, c) // as a server that lost its power, seen from here
		})
		time.Sleep(900 * time.Millisecond)
		if n := r.number(Lost); n != 0 {
			t.Errorf("told lost %d times before it was silent for 1 s", n)
		}
		time.Sleep(300 * time.Millisecond)
		r.stop()
		if s := sequence(r.chunks()); s != "up, data, lost" || !strings.Contains(r.log.String(), "port.silent(1s)") {
			t.Errorf("told %s; log:\n%s", s, r.log)
		}
	})
}

func TestTCP_PeerThatTakesNothingFailsTheWrite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		block := make(chan struct{})
		defer close(block)
		r := runTCP(t, Config{}, func(net.Conn) { <-block })
		synctest.Wait()
		began := time.Now()
		err := r.Write(t.Context(), []byte("?\r"))
		if d := time.Since(began); err == nil || d < writeLimit || d > writeLimit+readWait {
			t.Errorf("the writer was told after %v: %v", d, err)
		}
		time.Sleep(2 * readWait)
		r.stop()
		if n := r.number(Lost); n != 1 {
			t.Errorf("told lost %d times, want once", n)
		}
	})
}

// comServer is a device server by RFC 2217, with a line that a test pulls at.
type comServer struct {
	silentControl bool           // never acknowledges control settings
	noComPort     bool           // refuses the option
	answer        map[byte]int64 // settings that it changes: command to value
	mu            sync.Mutex
	set           map[byte]uint32 // what was set
	got           []byte          // what came for the gauge
	refused       []byte          // options that the client refused
	connected     func(send func(...byte))
	wg            sync.WaitGroup
}

func (s *comServer) serve(c net.Conn) {
	defer s.wg.Wait()
	in := bufio.NewReader(c)
	send := func(b ...byte) { c.Write(b) }
	send(255, 251, 1, 255, 253, 1) // WILL ECHO, DO ECHO: a client that keeps out of this refuses both
	for {
		b, err := in.ReadByte()
		if err != nil {
			return
		}
		if b != 255 {
			s.mu.Lock()
			s.got = append(s.got, b)
			s.mu.Unlock()
			continue
		}
		if s.command(in, send) != nil {
			return
		}
	}
}

func (s *comServer) command(in *bufio.Reader, send func(...byte)) error {
	verb, err := in.ReadByte()
	if err != nil {
		return err
	}
	if verb == 255 {
		s.mu.Lock()
		s.got = append(s.got, 255)
		s.mu.Unlock()
		return nil
	}
	option, err := in.ReadByte()
	if err != nil {
		return err
	}
	switch {
	case verb == 251 && option == 44 && s.noComPort:
		send(255, 254, option)
	case verb == 251: // WILL: DO
		send(255, 253, option)
	case verb == 253: // DO: WILL
		send(255, 251, option)
	case verb == 252 || verb == 254:
		s.mu.Lock()
		s.refused = append(s.refused, verb, option)
		s.mu.Unlock()
	case verb == 250:
		return s.sub(in, send)
	}
	return nil
}

func (s *comServer) sub(in *bufio.Reader, send func(...byte)) error {
	var b []byte
	for !bytes.HasSuffix(b, []byte{255, 240}) {
		c, err := in.ReadByte()
		if err != nil {
			return err
		}
		b = append(b, c)
	}
	b = bytes.ReplaceAll(b[:len(b)-2], []byte{255, 255}, []byte{255})
	command, value := b[0], b[1:]
	number := uint32(value[0])
	if command == 1 {
		number = binary.BigEndian.Uint32(value)
	}
	s.mu.Lock()
	s.set[command] = number
	s.mu.Unlock()
	if command == 5 && s.silentControl {
		return nil
	}
	if v, ok := s.answer[command]; ok {
		number = uint32(v)
		value[len(value)-1] = byte(v)
		if command == 1 {
			value = binary.BigEndian.AppendUint32(nil, number)
		}
	}
	send(slices.Concat([]byte{255, 250, 44, command + 100}, bytes.ReplaceAll(value, []byte{255}, []byte{255, 255}), []byte{255, 240})...)
	if command == 11 && s.connected != nil {
		s.wg.Go(func() { s.connected(send) })
	}
	return nil
}

var line7E1 = drivers.Serial{Baud: 4800, Data: 7, Parity: "even", Stop: 1}

func TestRFC2217_SetsTheLineAndCarriesEveryByte(t *testing.T) {
	s := &comServer{set: map[byte]uint32{}}
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	s.connected = func(send func(...byte)) {
		send(bytes.ReplaceAll(all, []byte{255}, []byte{255, 255})...)
	}
	r := run(t, Config{Device: schemeRFC2217 + serve(t, s.serve), Line: line7E1})
	r.until("all bytes", func() bool { return r.bytes() == string(all) })
	if err := r.Write(t.Context(), all); err != nil {
		t.Fatal(err)
	}
	r.until("all bytes at the gauge", func() bool { s.mu.Lock(); defer s.mu.Unlock(); return bytes.Equal(s.got, all) })
	s.mu.Lock()
	defer s.mu.Unlock()
	// RFC 2217 section 3: 4800 baud, 7 data bits, parity 3 even, 1 stop bit; the last control was RTS on.
	for command, want := range map[byte]uint32{1: 4800, 2: 7, 3: 3, 4: 1, 5: 11} {
		if s.set[command] != want {
			t.Errorf("command %d set to %d, want %d", command, s.set[command], want)
		}
	}
	if want := []byte{254, 1, 252, 1}; !bytes.Equal(s.refused, want) {
		t.Errorf("refused %v, want %v (DONT ECHO, WONT ECHO, each once)", s.refused, want)
	}
}

func TestRFC2217_PedalOnCTSAndDamagedBytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &comServer{set: map[byte]uint32{}}
		s.connected = func(send func(...byte)) {
			send(255, 250, 44, 107, 0x20, 255, 240) // DSR
			time.Sleep(100 * time.Millisecond)
			send(255, 250, 44, 107, 0x31, 255, 240) // CTS comes
			time.Sleep(100 * time.Millisecond)
			send('+', '1', 255, 250, 44, 106, 0x04, 255, 240, '2') // a parity error
			send(255, 250, 44, 106, 0x61, 255, 240)                // no fault: data ready, transmitter empty
			send(255, 250, 44, 107, 0x21, 255, 240)                // CTS goes
		}
		r := runRFC2217(t, Config{Line: line9600, Modem: true}, s.serve)
		time.Sleep(time.Second)
		r.stop()
		var states, got []string
		for _, c := range r.chunks() {
			switch c.Kind {
			case LineState:
				states = append(states, c.Lines.String())
			case Data:
				got = append(got, string(c.Data))
			case LineError:
				got = append(got, "!")
			}
		}
		if want := []string{"none", "DSR", "CTS DSR", "DSR"}; !slices.Equal(states, want) && !slices.Equal(states, want[1:]) {
			t.Errorf("told %q, want %q", states, want)
		}
		if s := strings.Join(got, ""); s != "+1!2" {
			t.Errorf("told %q, want the damage between + 1 and 2", s)
		}
		if c := r.Status().Counters; c.LineErrors != 1 {
			t.Errorf("counted %+v", c)
		}
	})
}

func TestRFC2217_UnacknowledgedControlIsAWarning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &comServer{set: map[byte]uint32{}, silentControl: true}
		r := runRFC2217(t, Config{Line: line9600}, s.serve)
		time.Sleep(answerWithin + time.Second)
		r.stop()
		if !strings.Contains(r.log.String(), `"setting":"DTR"`) || r.number(Lost) != 0 {
			t.Errorf("told %s; log:\n%s", sequence(r.chunks()), r.log)
		}
	})
}

func TestRFC2217_RefusedAtOnce(t *testing.T) {
	for _, c := range []struct {
		name   string
		server *comServer
		want   string
	}{
		{"no option", &comServer{noComPort: true}, "port.no_com_port_option("},
		{"parity", &comServer{answer: map[byte]int64{3: 1}}, "port.server_has.parity(1, 3)"},
		{"rate", &comServer{answer: map[byte]int64{1: 9600}}, "port.server_has.baud(9600, 4800)"},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.server.set = map[byte]uint32{}
			err := New(Config{Name: "a", Device: schemeRFC2217 + serve(t, c.server.serve), Line: line7E1}, zerolog.Nop()).
				Run(t.Context(), func(Chunk) {})
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q", err, c.want)
			}
		})
	}
	t.Run("near rate", func(t *testing.T) {
		s := comServer{set: map[byte]uint32{}, answer: map[byte]int64{1: 4808}}
		r := run(t, Config{Device: schemeRFC2217 + serve(t, s.serve), Line: line7E1})
		r.until("the line to open", func() bool { return r.Status().Up })
	})
}

func TestRFC2217_PlainServer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dial := inMemory(func(c net.Conn) { io.WriteString(c, "+12.7003 mm\r\n"); io.Copy(io.Discard, c) })
		_, err := newRFC2217(t.Context(), newTCP(dial(), "server:1", 0), "server:1", Config{Line: line9600}, zerolog.Nop())
		if reason(err).Code != "port.no_telnet" {
			t.Errorf("got %v", err)
		}
	})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := dialRFC2217(ctx, serve(t, func(net.Conn) {}), Config{}, zerolog.Nop()); !errors.Is(err, context.Canceled) {
		t.Errorf("with an ended context: %v", err)
	}
}

// telnetLog writes down what a stream held.
type telnetLog struct{ b strings.Builder }

func (l *telnetLog) data(b []byte)            { fmt.Fprintf(&l.b, "%x", b) }
func (l *telnetLog) option(verb, option byte) { fmt.Fprintf(&l.b, "(%d %d)", verb, option) }
func (l *telnetLog) sub(b []byte)             { fmt.Fprintf(&l.b, "[%x]", b) }

func TestTelnet_AnyBytesAnyCut(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var stream []byte
		var want telnetLog
		for range rapid.IntRange(0, 8).Draw(rt, "n") {
			switch rapid.IntRange(0, 3).Draw(rt, "kind") {
			case 0:
				stream = append(stream, telnetIAC, telnetDO, 7)
				want.option(telnetDO, 7)
			case 1:
				stream = append(stream, telnetIAC, 241) // NOP
			case 2:
				v := rapid.SliceOfN(rapid.Byte(), 0, 10).Draw(rt, "value")
				stream = appendSub(stream, optionComPort, v...)
				want.sub(append([]byte{optionComPort}, v...))
			default:
				v := rapid.SliceOf(rapid.SampledFrom([]byte{0, 13, 'a', 240, 250, 254, 255})).Draw(rt, "data")
				stream = appendEscaped(stream, v)
				want.data(v)
			}
		}
		var codec telnet
		var got telnetLog
		for len(stream) > 0 {
			n := rapid.IntRange(1, len(stream)).Draw(rt, "cut")
			codec.feed(stream[:n], &got)
			stream = stream[n:]
		}
		if got.b.String() != want.b.String() {
			rt.Fatalf("got %s, want %s", got.b.String(), want.b.String())
		}
	})
}

// Whatever a server sends, and wherever the reads cut it, the link passes on the
// same data and damage, keeps little, and answers at most twice for each option.
func FuzzTelnet(f *testing.F) {
	f.Add([]byte("\xff\xfa\x2c\x6b\x10\xff\xf0+12.7003\xff\xff\xff\xfd\x2c"), uint8(3))
	f.Add([]byte("\xff\xfa\x2c\x65\xff\xfb\x01\xff\xf0"), uint8(1))
	f.Add([]byte("\xff\xfb\x2c\xff\xfd\x2c\xff\xfa\x2c\x65\x00\x00\x25\x80\xff\xf0\xff\xfa\x2c\x6a\x1e\xff\xf0"), uint8(4))
	f.Fuzz(func(t *testing.T, b []byte, cut uint8) {
		feed := func(n int) string {
			var got strings.Builder
			wire := &countingConn{}
			var codec telnet
			r := &rfcLink{tcpLink: &tcpLink{conn: wire}, us: map[byte]optionState{optionComPort: optionWanted}, them: map[byte]optionState{},
				answers: map[byte]uint32{}, controls: map[byte]bool{controlDTR: false}}
			r.got = func(p []byte, damaged bool) {
				if damaged {
					got.WriteString("!")
				}
				fmt.Fprintf(&got, "%x", p)
			}
			for piece := range slices.Chunk(b, n) {
				codec.feed(piece, r)
			}
			if len(codec.subn) > maxSub {
				t.Errorf("keeps %d bytes", len(codec.subn))
			}
			if wire.n > 3*2*2*256 { // three bytes, twice, for each option of each side
				t.Errorf("answers %d bytes", wire.n)
			}
			return fmt.Sprint(got.String(), r.us, r.them, r.answers, r.controls, r.state)
		}
		if whole, cut := feed(max(len(b), 1)), feed(max(int(cut), 1)); whole != cut {
			t.Errorf("whole %s\ncut %s", whole, cut)
		}
	})
}

// countingConn takes every write and counts its bytes.
type countingConn struct {
	net.Conn
	n int
}

func (c *countingConn) SetWriteDeadline(time.Time) error { return nil }
func (c *countingConn) Write(b []byte) (int, error)      { c.n += len(b); return len(b), nil }

func TestSentence(t *testing.T) {
	for said, want := range map[string]string{
		"Port already in use\r\n":                   "Port already in use",
		"\xff\xfd,Port's device already in use\r\n": "Port's device already in use",
		"+12.7003 mm\r\n":                           "", "+0012.7003 mm L\r\n": "", "\x02 12.70 mm GO\r": "", "MM 12.7003\r\n": "", "": "", "\x00\xff\x13": "",
		"ERROR 12\r\n": "ERROR 12", // only what comes before the connection is closed at once is looked at
	} {
		if got := sentence([]byte(said)); got != want {
			t.Errorf("%q: %q, want %q", said, got, want)
		}
	}
}
