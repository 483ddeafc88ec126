package broker

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"
)

// text is a string as MQTT writes it.
func text(s string) []byte {
	return append(binary.BigEndian.AppendUint16(nil, uint16(len(s))), s...)
}

func join(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

func packet(first byte, parts ...[]byte) []byte { return appendPacket(nil, first, join(parts...)...) }

// connectPacket is a CONNECT. The user is "" for none; expiry is how long MQTT 5 keeps the session, in s.
func connectPacket(version byte, id, user, password string, clean bool, keepAlive uint16, expiry byte) []byte {
	flags := byte(0)
	if clean {
		flags = 2
	}
	var login, props []byte
	if user != "" {
		flags |= 0xC0
		login = join(text(user), text(password))
	}
	if version == mqtt5 {
		props = []byte{5, 0x11, 0, 0, 0, expiry}
	}
	return packet(connect<<4, text("MQTT"), []byte{version, flags, byte(keepAlive >> 8), byte(keepAlive)}, props, text(id), login)
}

// wire is a client that sends and gets packets as they are.
type wire struct {
	t testing.TB
	net.Conn
	r *bufio.Reader
}

func dial(t testing.TB, b *Broker) *wire {
	t.Helper()
	c, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	return wired(t, c)
}

func wired(t testing.TB, c net.Conn) *wire {
	t.Cleanup(func() { c.Close() })
	return &wire{t, c, bufio.NewReader(c)}
}

func (w *wire) send(packets ...[]byte) {
	w.t.Helper()
	if _, err := w.Write(join(packets...)); err != nil {
		w.t.Fatal(err)
	}
}

func (w *wire) next() (first byte, body []byte, err error) {
	w.SetReadDeadline(time.Now().Add(20 * time.Second))
	return readPacket(w.r, maxPacket, nil)
}

// gets reads a packet and compares it.
func (w *wire) gets(what string, want []byte) {
	w.t.Helper()
	first, body, err := w.next()
	if got := packet(first, body); err != nil || !bytes.Equal(got, want) {
		w.t.Fatalf("%s: got % x, %v; want % x", what, got, err, want)
	}
}

// comes reads a packet of a kind.
func (w *wire) comes(kind int) (first byte, body []byte) {
	w.t.Helper()
	first, body, err := w.next()
	if err != nil || int(first>>4) != kind {
		w.t.Fatalf("got a packet % x % x, %v; want one of kind %d", first, body, err, kind)
	}
	return first, body
}

// ends waits until the connection is closed.
func (w *wire) ends(what string) {
	w.t.Helper()
	for {
		if _, _, err := w.next(); errors.Is(err, os.ErrDeadlineExceeded) {
			w.t.Fatalf("%s: still connected", what)
		} else if err != nil {
			return
		}
	}
}

// hello connects, and returns whether there was a session.
func (w *wire) hello(connectPacket []byte) (resumed bool) {
	w.t.Helper()
	w.send(connectPacket)
	_, body := w.comes(connack)
	if body[1] != 0 {
		w.t.Fatalf("refused: % x", body)
	}
	return body[0] == 1
}

func (w *wire) subscribe(version byte, filter string, options byte) {
	w.t.Helper()
	var props []byte
	if version == mqtt5 {
		props = []byte{0}
	}
	w.send(packet(subscribe<<4|2, []byte{0, 9}, props, text(filter), []byte{options}))
	w.gets("SUBACK", packet(suback<<4, []byte{0, 9}, props, []byte{options & 1}))
}

// published is a PUBLISH of QoS 1.
func published(version, flags byte, topic string, id uint16, payload string, props ...byte) []byte {
	var p []byte
	if version == mqtt5 {
		p = appendLength(nil, len(props))
	}
	return packet(publish<<4|2|flags, text(topic), binary.BigEndian.AppendUint16(nil, id), p, props, []byte(payload))
}

// A session that is kept gets what was said while its client was away, after what that has not
// acknowledged, which is marked as sent again; a clean one begins anew.
func TestSessionIsKept(t *testing.T) {
	for _, version := range []byte{mqtt311, mqtt5} {
		b := start(t, Config{Anonymous: true})
		say := func(what string) {
			if err := b.Publish(topic+"reading", []byte(what), false, 1); err != nil {
				t.Fatal(err)
			}
		}
		enter := func(clean bool) (*wire, bool) {
			w := dial(t, b)
			return w, w.hello(connectPacket(version, "recorder", "", "", clean, 60, 100))
		}
		w, resumed := enter(false)
		if resumed {
			t.Error("a new client has a session")
		}
		w.subscribe(version, topic+"reading", 1)
		say("1")
		say("2")
		w.gets("1", published(version, 0, topic+"reading", 1, "1"))
		w.gets("2", published(version, 0, topic+"reading", 2, "2"))
		w.send(packet(puback<<4, []byte{0, 1}))
		w.send(packet(pingreq << 4))
		w.gets("PINGRESP", packet(pingresp<<4))
		w.Close()
		until(t, "it is gone", func() bool { return b.Stats().Clients == 0 })
		say("3")
		if w, resumed = enter(false); !resumed {
			t.Error("the session is lost")
		}
		w.gets("2 again", published(version, 8, topic+"reading", 2, "2"))
		w.gets("3", published(version, 0, topic+"reading", 3, "3"))

		// The same client again, while the first has not gone: it is put out.
		again, resumed := enter(false)
		if !resumed {
			t.Error("the session is lost to the same client")
		}
		again.gets("2 again", published(version, 8, topic+"reading", 2, "2"))
		if version == mqtt5 {
			w.gets("taken over", packet(disconnect<<4, []byte{byte(takenOver)}))
		}
		w.ends("its client before")
		if w, resumed = enter(true); resumed {
			t.Error("a clean session is an old one")
		}
		w.send(packet(pingreq << 4))
		w.gets("PINGRESP", packet(pingresp<<4))
	}
}

// What a session that is away is kept is bounded, and it is the newest.
func TestAwayTooLong(t *testing.T) {
	b := start(t, Config{Anonymous: true})
	w := dial(t, b)
	w.hello(connectPacket(mqtt311, "recorder", "", "", false, 60, 0))
	w.subscribe(mqtt311, topic+"reading", 1)
	w.Close()
	until(t, "it is gone", func() bool { return b.Stats().Clients == 0 })
	for i := range maxWaiting + 10 {
		if err := b.Publish(topic+"reading", binary.BigEndian.AppendUint32(nil, uint32(i)), false, 1); err != nil {
			t.Fatal(err)
		}
	}
	if n := b.Stats().Dropped; n != 10 {
		t.Errorf("%d are counted as dropped", n)
	}
	w = dial(t, b)
	w.hello(connectPacket(mqtt311, "recorder", "", "", false, 60, 0))
	_, body := w.comes(publish)
	if i := binary.BigEndian.Uint32(body[len(body)-4:]); i != 10 {
		t.Errorf("the first that comes is %d, want 10", i)
	}
}

// Sessions that are away are bounded in number.
func TestSessionsAreBounded(t *testing.T) {
	b := start(t, Config{Anonymous: true, Clients: 8})
	for i := range 30 {
		w := dial(t, b)
		w.hello(connectPacket(mqtt311, strings.Repeat("x", i+1), "", "", false, 60, 0))
		w.send(packet(disconnect << 4))
		w.ends("it has said goodbye")
		until(t, "it is gone", func() bool { return b.Stats().Clients == 0 })
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if n := len(b.sessions); n > 8 {
		t.Errorf("%d sessions are kept", n)
	}
}

// A message of QoS 2 is passed on once, however often it comes.
func TestExactlyOnce(t *testing.T) {
	b := start(t, Config{Anonymous: true})
	reader := dial(t, b)
	reader.hello(connectPacket(mqtt311, "reader", "", "", true, 60, 0))
	reader.subscribe(mqtt311, topic+"reading", 1)
	w := dial(t, b)
	w.hello(connectPacket(mqtt311, "w", other, otherSecret, true, 60, 0))
	for _, again := range []byte{0, 8} {
		w.send(packet(publish<<4|4|again, text(topic+"reading"), []byte{0, 7}, []byte("once")))
		w.gets("PUBREC", packet(pubrec<<4, []byte{0, 7}))
	}
	for range 2 {
		w.send(packet(pubrel<<4|2, []byte{0, 7}))
		w.gets("PUBCOMP", packet(pubcomp<<4, []byte{0, 7}))
	}
	w.send(packet(publish<<4|4, text(topic+"reading"), []byte{0, 7}, []byte("next")))
	reader.gets("the first", published(mqtt311, 0, topic+"reading", 1, "once"))
	reader.gets("the next", published(mqtt311, 0, topic+"reading", 2, "next"))
}

// What MQTT 5 adds to a subscription and to a message.
func TestFive(t *testing.T) {
	b := start(t, Config{Anonymous: true})
	enter := func(id string) *wire {
		w := dial(t, b)
		w.hello(connectPacket(mqtt5, id, other, otherSecret, true, 60, 0))
		return w
	}
	// Properties go on as they came; the time to the expiry is what is left of it.
	properties := join([]byte{0x26}, text("k"), text("v"), []byte{0x08}, text("to"))
	expiring := append([]byte{0x02, 0, 0, 0, 100}, properties...)
	say := enter("say")
	send := func(flags byte, leaf, payload string, props ...byte) {
		say.send(published(mqtt5, flags, topic+leaf, 5, payload, props...))
		say.gets("PUBACK", packet(puback<<4, []byte{0, 5}))
	}
	w := enter("w")
	w.subscribe(mqtt5, topic+"bore", 1)
	send(1, "bore", "x", expiring...)
	if _, body := w.comes(publish); !bytes.Contains(body, properties) || bytes.Contains(body, []byte{0x02, 0, 0, 0, 100}) && !bytes.HasSuffix(body, []byte("x")) {
		t.Errorf("properties: % x", body)
	}
	// Retain handling: 0 always, 1 only if the filter is new, 2 never; retain as published.
	late := enter("late")
	late.subscribe(mqtt5, topic+"bore", 1|2<<4)
	late.subscribe(mqtt5, topic+"bore", 1|1<<4|8)
	send(1, "bore", "y")
	late.gets("as sent", published(mqtt5, 1, topic+"bore", 1, "y"))
	late.subscribe(mqtt5, topic+"bore", 1)
	late.gets("what is retained", published(mqtt5, 1, topic+"bore", 2, "y"))
	// No local.
	say.subscribe(mqtt5, topic+"event", 1|4)
	send(0, "event", "mine")
	say.subscribe(mqtt5, topic+"reading", 1)
	say.send(published(mqtt5, 0, topic+"reading", 6, "theirs"))
	got := map[int]bool{}
	for range 2 {
		first, body, _ := say.next()
		got[int(first>>4)] = true
		if bytes.Contains(body, []byte("mine")) {
			t.Error("its own message came back")
		}
	}
	if !got[publish] || !got[puback] {
		t.Error("a message of another filter did not come")
	}
}

// Of the members of a shared subscription one gets each message, in turn, and one who is there.
func TestSharedInTurn(t *testing.T) {
	b := start(t, Config{Anonymous: true})
	var members []*wire
	for _, id := range []string{"a", "b"} {
		w := dial(t, b)
		w.hello(connectPacket(mqtt311, id, "", "", false, 60, 0))
		w.subscribe(mqtt311, "$share/writers/fairbore/1/+/+/reading", 1)
		members = append(members, w)
	}
	for _, what := range []string{"1", "2"} {
		if err := b.Publish(topic+"reading", []byte(what), false, 1); err != nil {
			t.Fatal(err)
		}
	}
	for _, w := range members {
		w.comes(publish)
	}
	members[0].Close()
	until(t, "one is gone", func() bool { return b.Stats().Clients == 1 })
	for _, what := range []string{"3", "4"} {
		if err := b.Publish(topic+"reading", []byte(what), false, 1); err != nil {
			t.Fatal(err)
		}
		if _, body := members[1].comes(publish); !bytes.HasSuffix(body, []byte(what)) {
			t.Errorf("%s did not come", what)
		}
	}
}

// The member of a shared subscription that gets a message gets it as it has asked.
func TestSharedAsSent(t *testing.T) {
	b := start(t, Config{Anonymous: true})
	members := map[byte]*wire{}
	for _, options := range []byte{1, 1 | 8} { // 8: retain as published
		w := dial(t, b)
		w.hello(connectPacket(mqtt5, fmt.Sprint("m", options), "", "", true, 60, 0))
		w.send(packet(0x82, []byte{0, 1, 0}, text("$share/writers/fairbore/1/+/+/bore"), []byte{options}))
		w.comes(suback)
		members[options] = w
	}
	for range 2 {
		if err := b.Publish(topic+"bore", []byte("x"), true, 1); err != nil {
			t.Fatal(err)
		}
	}
	for options, w := range members {
		if first, _ := w.comes(publish); first&1 != options>>3 {
			t.Errorf("a member with the options %#x got the first byte %#x", options, first)
		}
	}
}

// A client that takes packets of any size gets what there is, also where an int has 32 bits.
func TestLargestMaximumPacket(t *testing.T) {
	b := start(t, Config{Anonymous: true})
	w := dial(t, b)
	w.hello(packet(connect<<4, text("MQTT"), []byte{mqtt5, 2, 0, 60, 5, 0x27, 0xFF, 0xFF, 0xFF, 0xFF}, text("large")))
	w.subscribe(mqtt5, topic+"bore", 1)
	if err := b.Publish(topic+"bore", []byte("x"), false, 1); err != nil {
		t.Fatal(err)
	}
	w.comes(publish)
}

// Faulty packets end the connection; MQTT 5 is told why.
func TestFaultyPackets(t *testing.T) {
	b := start(t, Config{Anonymous: true})
	for name, c := range map[string]struct {
		version byte
		packet  []byte
		why     code
	}{
		"SUBSCRIBE without a filter":      {mqtt5, []byte{0x82, 5, 0, 1, 0, 0, 0}, malformed},
		"SUBSCRIBE of nothing":            {mqtt5, []byte{0x82, 3, 0, 1, 0}, malformed},
		"SUBSCRIBE with QoS 3":            {mqtt311, packet(0x82, []byte{0, 1}, text("fairbore/#"), []byte{3}), 0},
		"SUBSCRIBE with id 0":             {mqtt5, packet(0x82, []byte{0, 0, 0}, text("fairbore/#"), []byte{1}), protocolError},
		"UNSUBSCRIBE without a filter":    {mqtt5, []byte{0xA2, 3, 0, 1, 0}, malformed},
		"PUBLISH with a wildcard":         {mqtt5, packet(0x30, text("fairbore/+"), []byte{0}), malformed},
		"PUBLISH with QoS 3":              {mqtt5, packet(0x36, text("x"), []byte{0, 1, 0}), malformed},
		"PUBLISH with an alias":           {mqtt5, packet(0x30, text("x"), []byte{3, 0x23, 0, 1}), badAlias},
		"a text with a null":              {mqtt5, packet(0x30, text("x\x00"), []byte{0}), malformed},
		"a text that is not UTF-8":        {mqtt5, packet(0x30, text("\xff"), []byte{0}), malformed},
		"a property twice":                {mqtt5, packet(0x30, text("x"), []byte{4, 1, 0, 1, 0}), protocolError},
		"a property of another packet":    {mqtt5, packet(0x30, text("x"), []byte{5, 0x11, 0, 0, 0, 1}), protocolError},
		"a second CONNECT":                {mqtt5, connectPacket(mqtt5, "x", "", "", true, 0, 0), protocolError},
		"AUTH":                            {mqtt5, []byte{0xF0, 0}, protocolError},
		"a length of five bytes":          {mqtt5, []byte{0xC0, 0x80, 0x80, 0x80, 0x80, 1}, malformed},
		"more than a reader may send":     {mqtt5, []byte{0x30, 0xFF, 0xFF, 0x7F}, tooLarge},
		"PINGREQ with flags":              {mqtt311, []byte{0xC1, 0}, 0},
		"a subscription with a number":    {mqtt5, packet(0x82, []byte{0, 1, 2, 0x0B, 1}, text("fairbore/#"), []byte{1}), noSubscriptionID},
		"DISCONNECT with a later expiry":  {mqtt5, packet(0xE0, []byte{0, 5, 0x11, 0, 0, 0, 9}), protocolError},
		"no local of a shared filter":     {mqtt5, packet(0x82, []byte{0, 1, 0}, text("$share/g/fairbore/#"), []byte{5}), protocolError},
		"PUBREL with the flags of PUBACK": {mqtt5, packet(0x60, []byte{0, 1}), malformed},
	} {
		t.Run(name, func(t *testing.T) {
			w := dial(t, b)
			w.hello(connectPacket(c.version, "", "", "", true, 60, 0))
			w.send(c.packet)
			if c.version == mqtt5 {
				w.gets("DISCONNECT", packet(disconnect<<4, []byte{byte(c.why)}))
			}
			if _, err := io.ReadAll(w); err != nil && !strings.Contains(err.Error(), "reset") {
				t.Error(err)
			}
		})
	}
}
