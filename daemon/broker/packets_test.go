package broker

import (
	"context"
	"encoding/binary"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"runtime"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/rs/zerolog"
)

// wellFormed returns packets of every kind that a client may send.
func wellFormed(version byte) (all [][]byte) {
	id := []byte{0, 1}
	var none, props []byte
	if version == mqtt5 {
		none = []byte{0}
		props = join([]byte{0x01, 1, 0x02, 0, 0, 0, 9, 0x03}, text("t"), []byte{0x08}, text("r"), []byte{0x09}, text("c"), []byte{0x26}, text("k"), text("v"))
		props = append(appendLength(nil, len(props)), props...)
	}
	for flags := range byte(16) {
		body := [][]byte{text(topic + leaves()[flags%6]), id, props, []byte("payload")}
		if flags&6 == 0 {
			body = slices.Delete(body, 1, 2)
		}
		all = append(all, packet(publish<<4|flags, body...))
	}
	all = append(all, packet(publish<<4|1, text(topic+"do"), none, []byte("{}")))
	for _, first := range []byte{puback << 4, pubrec << 4, pubrel<<4 | 2, pubcomp << 4} {
		all = append(all, packet(first, id), packet(first, id, []byte{0x10, 3, 0x1F, 0, 0}))
	}
	for _, f := range []string{"#", topic + "#", "fairbore/+/+/+/bore", "$share/g/" + topic + "reading", "$SYS/#", ""} {
		all = append(all, packet(subscribe<<4|2, id, none, text(f), []byte{1}, text(topic+"live"), []byte{0}), packet(unsubscribe<<4|2, id, none, text(f)))
	}
	return append(all, packet(pingreq<<4), packet(disconnect<<4), packet(disconnect<<4, []byte{4, 5, 0x11, 0, 0, 0, 1}), []byte{0xF0, 0},
		[]byte{0x82, 5, 0, 1, 0, 0, 0}, connectPacket(version, "again", "", "", true, 9, 9))
}

// mutate spoils a packet, mostly without touching the length that it announces.
func mutate(r *rand.Rand, p []byte, all [][]byte) []byte {
	p = slices.Clone(p)
	for range 1 + r.IntN(3) {
		at := r.IntN(len(p))
		switch r.IntN(9) {
		case 0:
			p[at] ^= 1 << r.IntN(8)
		case 1:
			p[at] = byte(r.Uint32())
		case 2:
			p[at] = []byte{0, 1, 0x7F, 0x80, 0xFF}[r.IntN(5)]
		case 3:
			p = slices.Insert(p, at, byte(r.Uint32()))
		case 4:
			p = p[:max(1, at)]
		case 5:
			p = append(p[:max(1, at)], all[r.IntN(len(all))]...)
		case 6: // the length becomes right again
			p = packet(p[0], p[min(2, len(p)):])
		case 7: // a part is lost, and the length is right
			p = packet(p[0], p[min(len(p), 2+r.IntN(len(p))):])
		case 8:
			p[0] = byte(r.IntN(256))
		}
	}
	return p
}

// script is a connection that has sent all that it will. What it gets it forgets.
type script struct{ left []byte }

func (s *script) Read(p []byte) (int, error) {
	n := copy(p, s.left)
	s.left = s.left[n:]
	if n == 0 {
		return 0, io.EOF
	}
	return n, nil
}

func (s *script) Write(p []byte) (int, error)      { return len(p), nil }
func (s *script) Close() error                     { return nil }
func (s *script) LocalAddr() net.Addr              { return &net.TCPAddr{} }
func (s *script) RemoteAddr() net.Addr             { return &net.TCPAddr{} }
func (s *script) SetDeadline(time.Time) error      { return nil }
func (s *script) SetReadDeadline(time.Time) error  { return nil }
func (s *script) SetWriteDeadline(time.Time) error { return nil }

// number returns a number from the environment.
func number(t testing.TB, name string, otherwise int) int {
	v := os.Getenv(name)
	if v == "" {
		return otherwise
	}
	n, err := strconv.Atoi(v)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return n
}

// The broker takes spoiled packets of clients with and without rights and of every version, and goes on
// serving a client beside them; nothing that it started for them is left. Each is sent by a connection
// of its own, after some good packets and before some more that are spoiled. FAIRBORE_PACKETS says how
// many, and FAIRBORE_SEED repeats a run. One connection in 50 is a real one.
func TestSpoiledPackets(t *testing.T) {
	many, seed := number(t, "FAIRBORE_PACKETS", 20_000), number(t, "FAIRBORE_SEED", 1)
	t.Logf("FAIRBORE_PACKETS=%d FAIRBORE_SEED=%d", many, seed)
	b := opened(t, Config{Anonymous: true, Users: []User{{Name: "wall", Hash: hash(t, "p")}}})
	b.users[""] = User{Command: true, Publish: true} // so that no password takes the time of the test
	serve(t, b)
	if err := b.Subscribe(topic+"do", func(string, []byte, bool) {}); err != nil {
		t.Fatal(err)
	}
	beside := dial(t, b)
	beside.hello(connectPacket(mqtt5, "beside", "wall", "p", true, 0, 0))
	beside.subscribe(mqtt5, "fairbore/1/quarry-lane/beside/event", 1)
	before := runtime.NumGoroutine()
	r := rand.New(rand.NewPCG(uint64(seed), 0))
	well := map[byte][][]byte{mqtt311: wellFormed(mqtt311), mqtt5: wellFormed(mqtt5)}
	for i := range many {
		says := spoiled(r, well)
		if i%50 == 0 {
			w := dial(t, b)
			w.Write(says) // it may be cut off before the end
			w.Close()
		} else {
			b.serve(t.Context(), &script{says})
		}
		if i%1000 == 0 {
			nextBeside(t, b, beside, i)
		}
	}
	nextBeside(t, b, beside, 1)
	until(t, "the other clients are gone", func() bool { return b.Stats().Clients == 1 && runtime.NumGoroutine() <= before })
	s := b.Stats()
	if s.Panics > 0 || s.Malformed < uint64(many/3) || s.Received < uint64(many/10) {
		t.Errorf("counted: %+v", s)
	}
	t.Logf("%+v", s)
}

// spoiled returns what one connection sends.
func spoiled(r *rand.Rand, well map[byte][][]byte) []byte {
	version := []byte{mqtt311, mqtt5}[r.IntN(2)]
	all := well[version]
	user := ""
	if r.IntN(50) == 0 {
		user = "wall"
	}
	says := connectPacket(version, string(rune('a'+r.IntN(8))), user, "p", r.IntN(2) == 0, uint16(r.IntN(3)), byte(r.IntN(3)))
	if r.IntN(20) == 0 {
		return mutate(r, says, all)
	}
	for range r.IntN(3) {
		says = append(says, all[r.IntN(len(all))]...)
	}
	for range 1 + r.IntN(3) {
		says = append(says, mutate(r, all[r.IntN(len(all))], all)...)
	}
	return says
}

// nextBeside has the client beside get a message.
func nextBeside(t *testing.T, b *Broker, beside *wire, i int) {
	t.Helper()
	payload := strconv.Itoa(i)
	if err := b.Publish("fairbore/1/quarry-lane/beside/event", []byte(payload), false, 1); err != nil {
		t.Fatal(err)
	}
	_, body := beside.comes(publish)
	id := binary.BigEndian.Uint16(body[2+len("fairbore/1/quarry-lane/beside/event"):])
	if got := string(body[len(body)-len(payload):]); got != payload {
		t.Fatalf("the client beside got %q, want %q", got, payload)
	}
	beside.send(packet(puback<<4, []byte{byte(id >> 8), byte(id)}))
}

// FuzzPackets sends what a client may send after a CONNECT, of both versions, and as its CONNECT.
func FuzzPackets(f *testing.F) {
	for _, version := range []byte{mqtt311, mqtt5} {
		for _, p := range wellFormed(version) {
			f.Add(version, p)
		}
	}
	b, err := Open(Config{Listen: "127.0.0.1:0", Site: "quarry-lane", Anonymous: true}, zerolog.Nop())
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { b.Close() })
	b.users[""] = User{Publish: true, Command: true} // so that no password takes the time
	f.Fuzz(func(t *testing.T, version byte, says []byte) {
		b.serve(context.Background(), &script{slices.Clone(says)})
		login := connectPacket(mqtt311+version%2, "x", "", "", version&2 == 0, 0, version)
		b.serve(context.Background(), &script{append(login, says...)})
		if b.Stats().Panics > 0 {
			t.Fatal("the broker has failed")
		}
	})
}
