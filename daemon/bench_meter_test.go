package daemon_test

import (
	"bufio"
	"bytes"
	wire "encoding/binary"
	"fmt"
	"io"
	"math"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"fairbore/daemon/daemontest"
)

// meter is a subscriber that only notes when each reading arrives. It does as little as possible,
// since it runs on the processor that it measures. The client of a library costs more per message
// than the publisher. The meter uses QoS 1 (MQTT 3.1.1, sections 3.1, 3.3, 3.4 and 3.8).
type meter struct {
	t    testing.TB
	conn net.Conn
	in   *bufio.Reader
	rate atomic.Bool // only the number of readings matters, so they may be taken in groups
	mu   sync.Mutex
	got  map[string][]arrival // by station, in the order of arrival
	n    int
	last time.Time
}

type arrival struct {
	value int // value of the gauge, in steps
	at    time.Time
}

// newMeter subscribes to the readings of a station, or of all stations (+). A meter that also got
// the readings of another system would take processor time from that system.
func newMeter(t testing.TB, addr, station string) *meter {
	t.Helper()
	conn, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	m := &meter{t: t, conn: conn, in: bufio.NewReaderSize(conn, 64<<10), got: map[string][]arrival{}}
	m.send(0x10, text("MQTT"), []byte{4, 2, 0, 0}, text("meter-"+strconv.FormatInt(time.Now().UnixNano(), 36)))
	m.expect(0x20)
	m.send(0x82, []byte{0, 1}, text("fairbore/1/test/"+station+"/reading"), []byte{1})
	m.expect(0x90)
	done := make(chan struct{})
	go func() { defer close(done); m.run() }()
	t.Cleanup(func() { conn.Close(); <-done })
	return m
}

func text(s string) []byte { return append(wire.BigEndian.AppendUint16(nil, uint16(len(s))), s...) }

func (m *meter) send(head byte, parts ...[]byte) {
	body := bytes.Join(parts, nil)
	if _, err := m.conn.Write(append([]byte{head, byte(len(body))}, body...)); err != nil {
		m.t.Fatal(err)
	}
}

func (m *meter) expect(head byte) {
	m.t.Helper()
	if got, _, err := m.packet(nil); err != nil || got != head {
		m.t.Fatalf("broker: packet %#x (%v), want %#x", got, err, head)
	}
}

// packet reads a packet into buf, or into a larger buffer if it needs one.
func (m *meter) packet(buf []byte) (head byte, body []byte, err error) {
	if head, err = m.in.ReadByte(); err != nil {
		return 0, nil, err
	}
	n, err := wire.ReadUvarint(m.in) // the remaining length of MQTT has the form of a uvarint
	if err != nil {
		return 0, nil, err
	}
	buf = slices.Grow(buf[:0], int(n))[:n]
	_, err = io.ReadFull(m.in, buf)
	return head, buf, err
}

func (m *meter) run() {
	var buf, acks []byte
	for {
		if m.rate.Load() && m.in.Buffered() == 0 {
			time.Sleep(time.Millisecond) // waking for each reading would slow the system under test
		}
		head, body, err := m.packet(buf)
		if err != nil {
			return // the connection was closed
		}
		at := time.Now()
		buf = body
		if head&0xf0 != 0x30 {
			continue
		}
		n := 2 + int(wire.BigEndian.Uint16(body))
		topic, rest := string(body[2:n]), body[n:]
		if head&6 != 0 {
			acks = append(acks, 0x40, 2, rest[0], rest[1])
			rest = rest[2:]
		}
		if m.in.Buffered() == 0 || len(acks) > 400 {
			if _, err := m.conn.Write(acks); err != nil {
				return
			}
			acks = acks[:0]
		}
		m.note(strings.Split(topic, "/")[3], rest, at)
	}
}

// note finds the value of the gauge in a reading of the daemon or of the script, and notes it.
func (m *meter) note(station string, payload []byte, at time.Time) {
	value := -1
	for _, key := range []string{`"raw_mm":`, `"raw_mm": `} {
		if _, v, ok := bytes.Cut(payload, []byte(key)); ok {
			end := bytes.IndexAny(v, ",}")
			if mm, err := strconv.ParseFloat(string(v[:max(end, 0)]), 64); err == nil {
				value = steps(mm)
			}
		}
	}
	m.mu.Lock()
	m.got[station] = append(m.got[station], arrival{value, at})
	m.n++
	m.last = at
	m.mu.Unlock()
}

func steps(mm float64) int { return int(math.Round(mm * 1e5)) }

// reset forgets the readings that have come.
func (m *meter) reset() {
	m.mu.Lock()
	m.got, m.n = map[string][]arrival{}, 0
	m.mu.Unlock()
}

// await waits until n readings have come. It fails the test if none comes for 10 s.
func (m *meter) await(n int) {
	quiet, before := time.Now(), 0
	for {
		m.mu.Lock()
		now := m.n
		m.mu.Unlock()
		if now >= n {
			return
		}
		if now != before {
			quiet, before = time.Now(), now
		}
		if time.Since(quiet) > 10*time.Second {
			m.t.Errorf("%d readings came of %d", now, n)
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// sent is a frame that was written to a gauge's line: its value, and the time when its last byte
// was handed over.
type sent struct {
	value int
	at    time.Time
}

// frame16 returns the frame of 16 bytes that every load here consists of. Its value is within the
// band of the job.
func frame16(i int) (value int, text string) {
	value = 3165000 + i%20000
	return value, fmt.Sprintf("+%04d.%05d mm\r\n", value/100000, value%100000)
}

// load writes n frames at a rate per second. If the rate is 0, it writes many frames at once, as
// fast as the line takes them.
func load(g *daemontest.Gauge, n int, rate float64) []sent {
	out := make([]sent, 0, n)
	start := time.Now()
	var held strings.Builder
	for i := range n {
		value, text := frame16(i)
		if rate > 0 {
			time.Sleep(time.Until(start.Add(time.Duration(float64(i) / rate * float64(time.Second)))))
		}
		out = append(out, sent{value, time.Now()})
		held.WriteString(text)
		if rate > 0 || held.Len() >= 1024 || i == n-1 {
			g.Send(held.String())
			held.Reset()
		}
	}
	return out
}

// outcome is the result of a load.
type outcome struct {
	sent, lost, twice int
	delays            []time.Duration // sorted
	rate              float64         // readings a second, from the first byte to the last arrival
	end               time.Duration   // from the first byte to the last arrival
}

// outcome compares the readings that were sent with the readings that came from each station. The
// values of a load should come in the order in which they were sent. A value that comes again or
// out of order is counted in twice.
func (m *meter) outcome(loads map[string][]sent) outcome {
	m.mu.Lock()
	defer m.mu.Unlock()
	var o outcome
	var first time.Time
	for station, s := range loads {
		o.sent += len(s)
		if first.IsZero() || s[0].at.Before(first) {
			first = s[0].at
		}
		next := 0
		for _, a := range m.got[station] {
			k := next
			for k < len(s) && s[k].value != a.value {
				k++
			}
			if k == len(s) {
				o.twice++
				continue
			}
			o.lost += k - next
			o.delays = append(o.delays, a.at.Sub(s[k].at))
			next = k + 1
		}
		o.lost += len(s) - next
	}
	slices.Sort(o.delays)
	o.end = m.last.Sub(first)
	o.rate = float64(len(o.delays)) / o.end.Seconds()
	return o
}

// quantile returns a quantile of the delays, in ms.
func (o *outcome) quantile(q float64) float64 {
	if len(o.delays) == 0 {
		return math.NaN()
	}
	return ms(o.delays[min(len(o.delays)-1, int(q*float64(len(o.delays))))])
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }
