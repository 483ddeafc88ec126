package broker

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// The kinds of packets of MQTT.
const (
	connect     = 1
	connack     = 2
	publish     = 3
	puback      = 4
	pubrec      = 5
	pubrel      = 6
	pubcomp     = 7
	subscribe   = 8
	suback      = 9
	unsubscribe = 10
	unsuback    = 11
	pingreq     = 12
	pingresp    = 13
	disconnect  = 14
)

// The versions of MQTT as CONNECT gives them.
const (
	mqtt31  = 3
	mqtt311 = 4
	mqtt5   = 5
)

// A code is a reason code of MQTT 5. Its error text is for the log.
type code byte

const (
	withWill         code = 0x04
	noMatching       code = 0x10
	noSubscription   code = 0x11
	unspecified      code = 0x80
	malformed        code = 0x81
	protocolError    code = 0x82
	badVersion       code = 0x84
	badClientID      code = 0x85
	badPassword      code = 0x86
	notAuthorized    code = 0x87
	unavailable      code = 0x88
	shuttingDown     code = 0x8B
	badMethod        code = 0x8C
	keepAliveTimeout code = 0x8D
	takenOver        code = 0x8E
	badFilter        code = 0x8F
	unknownID        code = 0x92
	tooManyUnacked   code = 0x93
	badAlias         code = 0x94
	tooLarge         code = 0x95
	quotaExceeded    code = 0x97
	noSubscriptionID code = 0xA1
)

// Error returns the code as its number in the standard.
func (c code) Error() string { return fmt.Sprintf("reason code %#02x of MQTT 5", byte(c)) }

// readPacket reads a packet with a body of at most so many bytes. It returns the first byte and the
// body, for which it uses buf if that is large enough. Memory is taken as the bytes come in, so an
// announced length costs nothing.
func readPacket(r *bufio.Reader, most int, buf []byte) (first byte, body []byte, err error) {
	first, err = r.ReadByte()
	if err != nil {
		return 0, buf, err
	}
	n, err := readLength(r)
	if err != nil {
		return 0, buf, err
	}
	if n > most {
		return 0, buf, tooLarge
	}
	const step = 16 << 10
	for body = buf[:0]; len(body) < n; {
		from := len(body)
		body = slices.Grow(body, min(n-from, step))
		body = body[:min(n, cap(body))]
		if _, err = io.ReadFull(r, body[from:]); err != nil {
			return 0, buf, err
		}
	}
	return first, body, nil
}

// readLength reads the length of a body: 7 bits a byte, at most 4 bytes.
func readLength(r io.ByteReader) (n int, err error) {
	for shift := 0; shift < 28; shift += 7 {
		d, err := r.ReadByte()
		if err != nil {
			return 0, err
		}
		n |= int(d&0x7F) << shift
		if d < 0x80 {
			return n, nil
		}
	}
	return 0, malformed
}

// wholePacket reports whether all of a packet is in the buffer, so that reading it will not wait.
func wholePacket(r *bufio.Reader) bool {
	b, _ := r.Peek(r.Buffered()) // it can't fail
	if len(b) < 2 {
		return false
	}
	in := strings.NewReader(string(b[1:min(len(b), 5)]))
	n, err := readLength(in)
	return err == nil && len(b)-1-(min(len(b), 5)-1-in.Len()) >= n
}

// decoder takes a body apart. After the first fault, which it keeps, it returns zero values.
type decoder struct {
	b   []byte
	err error
}

func (d *decoder) fail(c code) {
	if d.err == nil {
		d.err = c
	}
	d.b = nil
}

func (d *decoder) take(n int) []byte {
	if n > len(d.b) {
		d.fail(malformed)
		return nil
	}
	b := d.b[:n]
	d.b = d.b[n:]
	return b
}

func (d *decoder) number(bytes int) (n uint32) {
	for _, b := range d.take(bytes) {
		n = n<<8 | uint32(b)
	}
	return n
}

func (d *decoder) byte() byte     { return byte(d.number(1)) }
func (d *decoder) uint16() uint16 { return uint16(d.number(2)) }

// binary returns data of at most 65535 bytes, which are part of the body.
func (d *decoder) binary() []byte { return d.take(int(d.uint16())) }

// string returns a text as the standard wants it: UTF-8 without the null character.
func (d *decoder) string() string {
	b := d.binary()
	if !utf8.Valid(b) || slices.Contains(b, 0) {
		d.fail(malformed)
		return ""
	}
	return string(b)
}

// topic returns the topic of a message, which has no wildcards.
func (d *decoder) topic() string {
	t := d.string()
	if t == "" || strings.ContainsAny(t, "+#") {
		d.fail(malformed)
	}
	return t
}

// id returns the number of a packet, which is never 0.
func (d *decoder) id() uint16 {
	id := d.uint16()
	if id == 0 {
		d.fail(protocolError)
	}
	return id
}

func (d *decoder) length() int {
	in := strings.NewReader(string(d.b[:min(len(d.b), 4)]))
	n, err := readLength(in)
	if err != nil {
		d.fail(malformed)
		return 0
	}
	d.take(min(len(d.b), 4) - in.Len())
	return n
}

// end returns the first fault. Bytes that are left over are one.
func (d *decoder) end() error {
	if len(d.b) > 0 {
		d.fail(malformed)
	}
	return d.err
}

// properties are those of MQTT 5 that mean something to the broker.
type properties struct {
	sessionExpiry  uint32 // s
	hasExpiry      bool
	receiveMaximum uint16 // 0: not given
	maximumPacket  uint32 // bytes, 0: not given
	messageExpiry  uint32 // s, 0: none
	forward        []byte // of a message, to be sent on as they are
}

// The packets that may have a property, for propertyOf. ofWill stands for the properties of a will.
const (
	ofWill      = 0
	inConnect   = 1 << connect
	inMessage   = 1<<publish | 1<<ofWill
	inAck       = 1<<puback | 1<<pubrec | 1<<pubrel | 1<<pubcomp | 1<<disconnect
	inSubscribe = 1 << subscribe
	inAll       = inConnect | inMessage | inAck | inSubscribe | 1<<unsubscribe
)

// The forms of the values of properties. A number below 5 is the length of a number in bytes.
const (
	formString = iota + 5
	formBinary
	formPair
	formLength
)

// propertyOf returns the form of a property that a client may send, and in which packets: table 2-4
// of the standard (MQTT 5.0, section 2.2.2.2).
func propertyOf(id byte) (form, in int) {
	switch id {
	case 0x01:
		return 1, inMessage // payload format
	case 0x02:
		return 4, inMessage // message expiry
	case 0x03, 0x08:
		return formString, inMessage // content type, response topic
	case 0x09:
		return formBinary, inMessage // correlation data
	case 0x0B:
		return formLength, inSubscribe // subscription identifier
	case 0x11:
		return 4, inConnect | 1<<disconnect // session expiry
	case 0x15:
		return formString, inConnect // authentication method
	case 0x16:
		return formBinary, inConnect // authentication data
	case 0x17, 0x19:
		return 1, inConnect // request problem, request response information
	case 0x18:
		return 4, 1 << ofWill // will delay
	case 0x1F:
		return formString, inAck // reason
	case 0x21, 0x22:
		return 2, inConnect // receive maximum, topic alias maximum
	case 0x23:
		return 2, 1 << publish // topic alias
	case 0x26:
		return formPair, inAll // user property
	case 0x27:
		return 4, inConnect // maximum packet size
	}
	return 0, 0
}

// properties decodes the properties of a packet of a kind.
func (d *decoder) properties(kind int) (p properties) {
	in := decoder{b: d.take(d.length())}
	for seen := uint64(0); len(in.b) > 0; {
		start := in.b
		id := in.byte()
		form, allowed := propertyOf(id)
		if allowed&(1<<kind) == 0 || seen&(1<<id) != 0 && form != formPair {
			in.fail(protocolError)
			break
		}
		seen |= 1 << id
		n := in.value(form)
		in.check(id, n)
		switch id {
		case 0x01, 0x03, 0x08, 0x09, 0x26:
			p.forward = append(p.forward, start[:len(start)-len(in.b)]...)
		case 0x02:
			p.messageExpiry = n
		case 0x11:
			p.sessionExpiry, p.hasExpiry = n, true
		case 0x21:
			p.receiveMaximum = uint16(n)
		case 0x27:
			p.maximumPacket = n
		}
	}
	if in.err != nil {
		d.fail(in.err.(code))
	}
	return p
}

// value takes a value of a form. It returns numbers only.
func (d *decoder) value(form int) uint32 {
	switch form {
	case formString:
		d.string()
	case formBinary:
		d.binary()
	case formPair:
		d.string()
		d.string()
	case formLength:
		return uint32(d.length())
	default:
		return d.number(form)
	}
	return 0
}

// check refuses values that the standard forbids, and what the broker has not announced.
func (d *decoder) check(id byte, n uint32) {
	switch id {
	case 0x01, 0x17, 0x19:
		if n > 1 {
			d.fail(protocolError)
		}
	case 0x21, 0x27:
		if n == 0 {
			d.fail(protocolError)
		}
	case 0x0B:
		d.fail(noSubscriptionID)
	case 0x15, 0x16:
		d.fail(badMethod)
	case 0x23:
		d.fail(badAlias)
	}
}

// message is what is published. It does not change once it is, and all its receivers share it.
type message struct {
	topic   string
	payload []byte
	qos     byte          // 0 or 1 once it is published
	retain  bool          // as its sender said
	forward []byte        // properties of MQTT 5, encoded
	life    time.Duration // from its publication; 0: without end
	expires time.Time     // zero: never
	from    *session      // nil: this process
}

func (m *message) size() int { return len(m.topic) + len(m.payload) + len(m.forward) + 64 }

func (m *message) expired() bool { return !m.expires.IsZero() && time.Now().After(m.expires) }

// hello is a decoded CONNECT.
type hello struct {
	version    byte
	clean      bool
	keepAlive  time.Duration
	id, user   string
	assigned   bool // the broker has chosen the id
	password   []byte
	properties properties
	will       *message // nil: none
}

// decodeConnect decodes a CONNECT. With a fault, the version is still set if it is known.
func decodeConnect(first byte, body []byte) (h hello, err error) {
	d := decoder{b: body}
	if first != connect<<4 {
		return h, protocolError
	}
	name := d.string()
	version := d.byte()
	if !(name == "MQTT" && (version == mqtt311 || version == mqtt5) || name == "MQIsdp" && version == mqtt31) {
		return h, badVersion
	}
	h.version = version
	flags := d.byte()
	h.clean = flags&2 != 0
	h.keepAlive = time.Duration(d.uint16()) * time.Second
	if version == mqtt5 {
		h.properties = d.properties(connect)
	}
	h.id = d.string()
	hasWill, hasUser, hasPassword := flags&4 != 0, flags&0x80 != 0, flags&0x40 != 0
	qos := flags >> 3 & 3
	if flags&1 != 0 || qos == 3 || !hasWill && flags&0x38 != 0 || hasPassword && !hasUser && version != mqtt5 {
		d.fail(malformed)
	}
	if hasWill {
		h.will = &message{qos: qos, retain: flags&0x20 != 0}
		if version == mqtt5 {
			h.will.set(d.properties(ofWill))
		}
		h.will.topic = d.topic()
		h.will.payload = slices.Clone(d.binary())
	}
	if hasUser {
		h.user = d.string()
	}
	if hasPassword {
		h.password = d.binary()
	}
	return h, d.end()
}

// decodePublish decodes a PUBLISH into a message that shares nothing with the body.
func decodePublish(first byte, body []byte, version byte) (m *message, id uint16, err error) {
	d := decoder{b: body}
	m = &message{qos: first >> 1 & 3, retain: first&1 != 0}
	if m.qos == 3 || m.qos == 0 && first&8 != 0 {
		return nil, 0, malformed
	}
	m.topic = d.topic()
	if m.qos > 0 {
		id = d.id()
	}
	if version == mqtt5 {
		m.set(d.properties(publish))
	}
	m.payload = slices.Clone(d.take(len(d.b)))
	return m, id, d.end()
}

func (m *message) set(p properties) {
	m.forward, m.life = p.forward, time.Duration(p.messageExpiry)*time.Second
}

// decodeAck decodes an acknowledgement of any kind.
func decodeAck(kind int, first byte, body []byte, version byte) (id uint16, err error) {
	d := decoder{b: body}
	if want := byte(kind << 4); first != want && !(kind == pubrel && first == want|2) || kind == pubrel && first&0xF != 2 {
		return 0, malformed
	}
	id = d.id()
	if version == mqtt5 && len(d.b) > 0 {
		d.byte()
		if len(d.b) > 0 {
			d.properties(kind)
		}
	}
	return id, d.end()
}

// wish is one topic filter of a SUBSCRIBE.
type wish struct {
	filter  string
	qos     byte
	noLocal bool
	asSent  bool // keep the flag retain of a message that is not a retained one
	handing byte // of what is retained: 0 always, 1 if the filter is new, 2 never
}

// decodeSubscribe decodes a SUBSCRIBE, which has at least one filter.
func decodeSubscribe(first byte, body []byte, version byte) (id uint16, wishes []wish, err error) {
	d := decoder{b: body}
	if first != subscribe<<4|2 {
		return 0, nil, malformed
	}
	id = d.id()
	if version == mqtt5 {
		d.properties(subscribe)
	}
	for ok := true; ok; ok = len(d.b) > 0 {
		w := wish{filter: d.string()}
		o := d.byte()
		w.qos, w.noLocal, w.asSent, w.handing = o&3, o&4 != 0, o&8 != 0, o>>4&3
		if w.qos == 3 || w.handing == 3 || o > 0x3F || version != mqtt5 && o > 2 {
			d.fail(malformed)
		}
		if w.noLocal && strings.HasPrefix(w.filter, sharePrefix) {
			d.fail(protocolError)
		}
		wishes = append(wishes, w)
	}
	return id, wishes, d.end()
}

// decodeUnsubscribe decodes an UNSUBSCRIBE, which has at least one filter.
func decodeUnsubscribe(first byte, body []byte, version byte) (id uint16, filters []string, err error) {
	d := decoder{b: body}
	if first != unsubscribe<<4|2 {
		return 0, nil, malformed
	}
	id = d.id()
	if version == mqtt5 {
		d.properties(unsubscribe)
	}
	for ok := true; ok; ok = len(d.b) > 0 {
		filters = append(filters, d.string())
	}
	return id, filters, d.end()
}

// decodeDisconnect decodes a DISCONNECT.
func decodeDisconnect(first byte, body []byte, version byte) (reason code, p properties, err error) {
	d := decoder{b: body}
	if first != disconnect<<4 {
		return 0, p, malformed
	}
	if version == mqtt5 && len(d.b) > 0 {
		reason = code(d.byte())
		if len(d.b) > 0 {
			p = d.properties(disconnect)
		}
	}
	return reason, p, d.end()
}

func appendLength(to []byte, n int) []byte {
	for ; n >= 0x80; n >>= 7 {
		to = append(to, byte(n)|0x80)
	}
	return append(to, byte(n))
}

func appendPacket(to []byte, first byte, body ...byte) []byte {
	return append(appendLength(append(to, first), len(body)), body...)
}

// appendAck appends an acknowledgement of a kind.
func appendAck(to []byte, kind int, id uint16, version byte, reason code) []byte {
	first := byte(kind << 4)
	if kind == pubrel {
		first |= 2
	}
	if version == mqtt5 && reason != 0 {
		return append(to, first, 3, byte(id>>8), byte(id), byte(reason))
	}
	return append(to, first, 2, byte(id>>8), byte(id))
}

// appendPublish appends a PUBLISH, or nothing if it were larger than most.
func appendPublish(to []byte, m *message, version byte, flags byte, id uint16, most int) []byte {
	n := 2 + len(m.topic) + len(m.payload)
	if flags&6 != 0 {
		n += 2
	}
	var expiry []byte
	props := 0
	if version == mqtt5 {
		if !m.expires.IsZero() {
			left := max(0, time.Until(m.expires).Seconds())
			expiry = binary.BigEndian.AppendUint32([]byte{0x02}, uint32(left))
		}
		props = len(m.forward) + len(expiry)
		n += len(appendLength(nil, props)) + props
	}
	if n+5 > most {
		return to
	}
	to = appendLength(append(to, publish<<4|flags), n)
	to = append(binary.BigEndian.AppendUint16(to, uint16(len(m.topic))), m.topic...)
	if flags&6 != 0 {
		to = binary.BigEndian.AppendUint16(to, id)
	}
	if version == mqtt5 {
		to = append(append(appendLength(to, props), expiry...), m.forward...)
	}
	return append(to, m.payload...)
}

// appendDisconnect appends a DISCONNECT of the broker, which only MQTT 5 knows.
func appendDisconnect(to []byte, version byte, reason code) []byte {
	if version != mqtt5 {
		return to
	}
	return appendPacket(to, disconnect<<4, byte(reason))
}

// appendRefusal appends a CONNACK that refuses. MQTT 3.1.1 has codes of its own for it.
func appendRefusal(to []byte, version byte, reason code) []byte {
	if version == mqtt5 {
		return appendPacket(to, connack<<4, 0, byte(reason), 0)
	}
	old := byte(5) // not authorized
	switch reason {
	case badVersion:
		old = 1
	case badClientID:
		old = 2
	case unavailable, quotaExceeded:
		old = 3
	case malformed, protocolError, tooLarge, badMethod:
		return to // the standard wants no answer
	}
	return appendPacket(to, connack<<4, 0, old)
}
