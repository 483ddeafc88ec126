package broker

import (
	"bufio"
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/binary"
	"errors"
	"net"
	"net/netip"
	"runtime/debug"
	"sync"
	"time"

	"fairbore/daemon/limit"
)

const (
	// loginIn is how long a client may take from its connection to its whole CONNECT, with what TLS
	// needs before it.
	loginIn = 5 * time.Second
	// writeTimeout is how long a client may leave what is sent to it unread. A display that was
	// disconnected connects again and gets the retained messages.
	writeTimeout = 2 * time.Second
	// idleMost is how long a client without a user may say nothing if it asks for no keep-alive.
	idleMost = 15 * time.Minute
	// keepAliveAsked is the keep-alive that MQTT 5 lets the broker ask of such a client.
	keepAliveAsked = 10 * time.Minute

	// maxLogin is the largest CONNECT, in bytes, and maxReader the largest packet of a client that may
	// not publish.
	maxLogin  = 16 << 10
	maxReader = 16 << 10
	// maxAnyPacket is larger than every packet of MQTT.
	maxAnyPacket = 1 << 28

	readSize  = 4 << 10  // buffer of a connection
	writeSize = 16 << 10 // bytes of messages that are sent at once
)

// client is a connection.
type client struct {
	b         *Broker
	raw, conn net.Conn // raw is below TLS
	from      netip.Addr
	session   *session

	version     byte
	keep        time.Duration // how long its session is kept after it
	idle        time.Duration // how long it may say nothing, 0: without end
	maxPacket   int           // that it takes
	maxUnacked  int           // that it leaves unacknowledged
	mostAllowed int           // bytes of a packet that it may send
	leave       func()        // frees its place
	will        *message      // nil: none, or it said goodbye

	write sync.Mutex // held while a packet is written
	wake  chan struct{}
	gone  chan struct{}
	once  sync.Once
}

// serve serves a connection until it ends. A panic ends this client only.
func (b *Broker) serve(ctx context.Context, raw net.Conn) {
	c := &client{b: b, raw: raw, conn: raw, from: limit.From(raw.RemoteAddr().String()), wake: make(chan struct{}, 1), gone: make(chan struct{})}
	if b.tls != nil {
		c.conn = tls.Server(raw, b.tls)
	}
	defer c.end(0)
	defer c.guard()
	if !b.door.enter(raw) {
		return
	}
	defer b.door.leave(raw)
	if raw.SetDeadline(time.Now().Add(loginIn)) != nil {
		return
	}
	r := bufio.NewReaderSize(c.conn, readSize)
	first, body, err := readPacket(r, maxLogin, nil)
	b.door.leave(raw)
	var h hello
	if err == nil {
		h, err = decodeConnect(first, body)
	}
	if err == nil {
		err = b.login(ctx, c, &h)
	}
	if err != nil {
		c.refuse(&h, err)
		return
	}
	resumed, will, ok := b.enter(c, &h)
	will()
	if !ok {
		b.crowded.Add(1)
		b.full(c.from)
		c.refuse(&h, quotaExceeded)
		return
	}
	defer b.exit(c)
	c.sendAll(c.appendConnack(nil, resumed, &h))
	b.served.Go(c.writer)
	c.fail(c.read(r, body))
}

// guard must be deferred by each goroutine that serves a client.
func (c *client) guard() {
	if p := recover(); p != nil {
		c.b.panics.Add(1)
		c.b.log.Error().Stringer("from", c.from).Any("panic", p).Bytes("stack", debug.Stack()).
			Msg("the broker failed at what a client sent, and has cut that client off; please report this with the stack")
		c.end(unspecified)
	}
}

// end ends the connection, for a reason that a client of MQTT 5 is told.
func (c *client) end(reason code) {
	c.once.Do(func() {
		if reason != 0 && c.write.TryLock() {
			defer c.write.Unlock()
			c.send(appendDisconnect(nil, c.version, reason))
		}
		close(c.gone)
		_ = c.raw.Close() // nothing more is written
	})
}

// fail ends the connection for a fault of the client, or because it is gone.
func (c *client) fail(err error) {
	reason := code(0)
	switch {
	case errors.As(err, &reason):
		if reason != notAuthorized {
			c.b.malformed.Add(1)
		}
		c.b.log.Debug().Stringer("from", c.from).Err(reason).Msg("the broker has cut off a client")
	case isTimeout(err):
		reason = keepAliveTimeout
	}
	c.end(reason)
}

func isTimeout(err error) bool {
	var t net.Error
	return errors.As(err, &t) && t.Timeout()
}

// refuse answers a CONNECT that is not accepted.
func (c *client) refuse(h *hello, err error) {
	var reason code
	if !errors.As(err, &reason) {
		return // it is gone, or was too slow
	}
	switch reason {
	case badPassword, unavailable:
		c.b.guesses.Add(1)
	case notAuthorized:
		c.b.refused.Add(1)
	case quotaExceeded:
	default:
		c.b.malformed.Add(1)
	}
	c.send(appendRefusal(nil, h.version, reason))
}

// send writes packets. A client that takes nothing for too long is cut off.
func (c *client) send(packets []byte) {
	if len(packets) == 0 {
		return
	}
	err := c.raw.SetWriteDeadline(time.Now().Add(writeTimeout))
	if err == nil {
		_, err = c.conn.Write(packets)
	}
	if err != nil {
		if isTimeout(err) {
			c.b.slow.Add(1)
		}
		_ = c.raw.Close() // what is left of the packets can't be sent
	}
}

// sendAll writes packets between those of the writer.
func (c *client) sendAll(packets []byte) {
	c.write.Lock()
	defer c.write.Unlock()
	c.send(packets)
}

func (c *client) awake() {
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

// writer sends what is in the queue until the connection ends.
func (c *client) writer() {
	defer c.guard()
	for {
		select {
		case <-c.wake:
			for c.writeSome() {
			}
		case <-c.gone:
			return
		}
	}
}

// writeSome sends some of the queue, and reports whether there was any.
func (c *client) writeSome() bool {
	c.write.Lock()
	defer c.write.Unlock()
	buf := c.b.buffers.Get().(*[]byte)
	defer c.b.buffers.Put(buf)
	packets := c.session.queue.fill(c, (*buf)[:0], writeSize)
	c.send(packets)
	if cap(packets) <= 2*writeSize {
		*buf = packets
	}
	return len(packets) > 0
}

// read takes packets until the client says goodbye, which gives nil, or an error ends it.
func (c *client) read(r *bufio.Reader, buf []byte) error {
	var answers []byte
	var renewed time.Time
	for {
		if len(answers) > 0 && (len(answers) >= readSize || !wholePacket(r)) {
			c.sendAll(answers)
			answers = answers[:0]
		}
		if now := time.Now(); now.Sub(renewed) > time.Second {
			renewed = now
			deadline := time.Time{}
			if c.idle > 0 {
				deadline = now.Add(c.idle)
			}
			if err := c.raw.SetReadDeadline(deadline); err != nil {
				return err
			}
		}
		first, body, err := readPacket(r, c.mostAllowed, buf)
		if err != nil {
			return err
		}
		if first>>4 == disconnect {
			return c.goodbye(first, body)
		}
		if answers, err = c.take(first, body, answers); err != nil {
			return err
		}
		if buf = body; cap(buf) > 4*writeSize {
			buf = nil // one large packet is no reason to keep so much
		}
	}
}

// take acts on a packet, and appends the answer to those that are to be sent.
func (c *client) take(first byte, body, answers []byte) ([]byte, error) {
	switch kind := int(first >> 4); kind {
	case publish:
		return c.takePublish(first, body, answers)
	case puback, pubrec, pubrel, pubcomp:
		id, err := decodeAck(kind, first, body, c.version)
		if err == nil && kind == puback {
			c.session.queue.acknowledged(c, id)
		}
		if err == nil && kind == pubrel {
			answers = appendAck(answers, pubcomp, id, c.version, c.release(id))
		}
		return answers, err // the broker sends nothing of QoS 2, so PUBREC and PUBCOMP mean nothing
	case subscribe:
		id, wishes, err := decodeSubscribe(first, body, c.version)
		if err == nil {
			c.takeSubscribe(id, wishes, answers)
		}
		return answers[:0], err
	case unsubscribe:
		id, filters, err := decodeUnsubscribe(first, body, c.version)
		if err != nil {
			return answers, err
		}
		return c.appendCodes(answers, unsuback, id, c.b.unsubscribe(c.session, filters)), nil
	case pingreq:
		if first != pingreq<<4 || len(body) > 0 {
			return answers, malformed
		}
		return append(answers, pingresp<<4, 0), nil
	}
	return answers, protocolError
}

// takePublish passes a message on if the client may publish it. MQTT 3.1.1 can refuse it only by a cut.
func (c *client) takePublish(first byte, body, answers []byte) ([]byte, error) {
	m, id, err := decodePublish(first, body, c.version)
	if err != nil {
		return answers, err
	}
	m.from = c.session
	reason := code(0)
	if !c.session.right.mayPublish(c.b.cfg.Site, m.topic) {
		c.b.refused.Add(1)
		reason = notAuthorized
	}
	qos := m.qos
	switch {
	case reason != 0 && qos > 0 && c.version != mqtt5:
		return answers, reason
	case reason != 0:
	case qos < 2:
		c.b.publish(m)
	default:
		again, err := c.hold(id)
		if err != nil {
			return answers, err
		}
		if !again {
			c.b.publish(m)
		}
	}
	switch qos {
	case 1:
		answers = appendAck(answers, puback, id, c.version, reason)
	case 2:
		answers = appendAck(answers, pubrec, id, c.version, reason)
	}
	return answers, nil
}

// hold remembers a message of QoS 2 until the client releases it, and reports whether it was there.
func (c *client) hold(id uint16) (again bool, err error) {
	c.b.mu.Lock()
	defer c.b.mu.Unlock()
	held := c.session.received
	if _, again = held[id]; again {
		return true, nil
	}
	if len(held) >= maxReceived {
		return false, tooManyUnacked
	}
	held[id] = struct{}{}
	return false, nil
}

func (c *client) release(id uint16) code {
	c.b.mu.Lock()
	defer c.b.mu.Unlock()
	if _, there := c.session.received[id]; !there {
		return unknownID
	}
	delete(c.session.received, id)
	return 0
}

// takeSubscribe subscribes and answers before anything that is retained for the filters is sent.
func (c *client) takeSubscribe(id uint16, wishes []wish, answers []byte) {
	c.write.Lock()
	defer c.write.Unlock()
	c.send(c.appendCodes(answers, suback, id, c.b.subscribe(c.session, wishes, c.version)))
}

// appendCodes appends a SUBACK or UNSUBACK, of which the latter has codes in MQTT 5 only.
func (c *client) appendCodes(to []byte, kind int, id uint16, codes []byte) []byte {
	body := binary.BigEndian.AppendUint16(nil, id)
	if c.version == mqtt5 {
		body = append(body, 0) // no properties
	}
	if c.version == mqtt5 || kind == suback {
		body = append(body, codes...)
	}
	return appendPacket(to, byte(kind<<4), body...)
}

// goodbye takes a DISCONNECT, after which the last will is not published unless it asks for that.
func (c *client) goodbye(first byte, body []byte) error {
	reason, p, err := decodeDisconnect(first, body, c.version)
	if err != nil {
		return err
	}
	c.b.mu.Lock()
	defer c.b.mu.Unlock()
	if reason != withWill {
		c.will = nil
	}
	if p.hasExpiry {
		if c.keep == 0 && p.sessionExpiry > 0 {
			return protocolError
		}
		c.keep = min(time.Duration(p.sessionExpiry)*time.Second, c.b.cfg.Expiry)
	}
	return nil
}

// login decides whether a client may come in, and sets what it has asked for.
func (b *Broker) login(ctx context.Context, c *client, h *hello) error {
	c.version, c.will, c.idle = h.version, h.will, h.keepAlive*3/2
	c.maxPacket, c.maxUnacked, c.mostAllowed = maxAnyPacket, maxUnacked, maxReader
	if err := b.known(ctx, c, h); err != nil {
		return err
	}
	right := b.right(h.user)
	if h.will != nil && !right.mayPublish(b.cfg.Site, h.will.topic) {
		return notAuthorized
	}
	if right.publish || right.command {
		c.mostAllowed = maxPacket
	}
	if h.user == "" && c.idle == 0 {
		c.idle = idleMost
	}
	if h.id == "" {
		if h.version != mqtt5 && !h.clean {
			return badClientID
		}
		h.id, h.assigned = "assigned-"+rand.Text(), true
	}
	switch p := h.properties; {
	case h.version != mqtt5 && !h.clean:
		c.keep = b.cfg.Expiry
	case h.version == mqtt5:
		c.keep = min(time.Duration(p.sessionExpiry)*time.Second, b.cfg.Expiry)
		if p.receiveMaximum > 0 {
			c.maxUnacked = min(int(p.receiveMaximum), maxUnacked)
		}
		if p.maximumPacket > 0 {
			c.maxPacket = int(min(p.maximumPacket, maxAnyPacket)) // a larger number is negative where an int has 32 bits
		}
	}
	return nil
}

// unknownUserHash is the hash of a random password that nobody kept, so that an unknown
// user costs the same time as a known one.
const unknownUserHash = "$2a$10$cTJjhsG6rCqk1zF3zVbRuOl9sethncbHTLOdk/fxs7lecAjU6OY0m"

// known checks user and password.
func (b *Broker) known(ctx context.Context, c *client, h *hello) error {
	if h.user == "" {
		if b.cfg.Anonymous && len(h.password) == 0 {
			return nil
		}
		return notAuthorized
	}
	u, known := b.users[h.user]
	name, hash := "broker user "+h.user, u.Hash
	if !known {
		name, hash = "", unknownUserHash
	}
	ctx, cancel := context.WithTimeout(ctx, loginIn)
	defer cancel()
	v := b.cfg.Guesses.Check(ctx, c.from, name, func() bool { return Matches(hash, string(h.password)) && known })
	if v.Right {
		return nil
	}
	if held, write := b.wrong.Line(time.Now()); write {
		e := b.log.Warn().Stringer("from", c.from).Uint64("not_shown", held)
		if known {
			e = e.Str("user", h.user) // an unknown name may be a password in the wrong place
		}
		e.Msg("the broker has refused a wrong password, or a guess too many")
	}
	if v.Wait > 0 {
		return unavailable
	}
	return badPassword
}

// right returns what a user may do besides reading.
func (b *Broker) right(user string) right {
	u := b.users[user]
	return right{publish: u.Publish, command: u.Command}
}

// appendConnack appends the answer to a CONNECT that is accepted, with the bounds that MQTT 5 knows.
func (c *client) appendConnack(to []byte, resumed bool, h *hello) []byte {
	body := []byte{0, 0}
	if resumed {
		body[0] = 1
	}
	if h.version != mqtt5 {
		return appendPacket(to, connack<<4, body...)
	}
	p := binary.BigEndian.AppendUint16([]byte{0x21}, maxReceived)
	p = binary.BigEndian.AppendUint32(append(p, 0x27), uint32(c.mostAllowed))
	p = append(p, 0x29, 0) // no subscription identifiers
	if uint32(c.keep.Seconds()) != h.properties.sessionExpiry {
		p = binary.BigEndian.AppendUint32(append(p, 0x11), uint32(c.keep.Seconds()))
	}
	if h.assigned {
		p = binary.BigEndian.AppendUint16(append(p, 0x12), uint16(len(h.id)))
		p = append(p, h.id...)
	}
	if h.keepAlive == 0 && c.idle > 0 {
		p = binary.BigEndian.AppendUint16(append(p, 0x13), uint16(keepAliveAsked.Seconds()))
	}
	return appendPacket(to, connack<<4, append(appendLength(body, len(p)), p...)...)
}
