package broker

import (
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// The bounds of what waits for a subscriber.
const (
	maxWaiting = 4096    // messages that were not sent yet
	maxBytes   = 4 << 20 // of messages, sent and not acknowledged or not sent yet
	maxUnacked = 1024    // messages that a subscriber may leave unacknowledged

	// ackTimeout is how long a subscriber may acknowledge nothing while messages wait for it.
	ackTimeout = 10 * time.Second
)

// queue holds the messages for a subscriber in their order, whether it is connected or away. If
// there are too many, the oldest that was not sent yet is dropped: so what is kept for several
// subscribers that are away is mostly the same messages, which they share.
type queue struct {
	dropped *atomic.Uint64

	mu      sync.Mutex
	to      *client // who takes from it; nil: away
	waiting []item
	unacked []sent
	resent  int // of unacked, how many were sent to this client
	bytes   int // of all that is here
	open    int // of them, bytes that are unacknowledged
	lastID  uint16
	moved   time.Time // when a message was last acknowledged, or had to be
}

// item is a message for one subscriber.
type item struct {
	m      *message
	qos    byte
	retain bool
}

func (i item) flags() byte {
	f := i.qos << 1
	if i.retain {
		f |= 1
	}
	return f
}

// sent is a message that the subscriber has not acknowledged.
type sent struct {
	item
	id uint16
}

// push adds a message, and wakes the client. Somebody who is away gets no messages of QoS 0.
func (q *queue) push(i item) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.to == nil && i.qos == 0 {
		return
	}
	for len(q.waiting) > 0 && (len(q.waiting) >= maxWaiting || q.bytes+i.m.size() > maxBytes) {
		q.pop()
		q.dropped.Add(1)
	}
	if q.bytes+i.m.size() > maxBytes {
		q.dropped.Add(1)
		return
	}
	q.waiting = append(q.waiting, i)
	q.bytes += i.m.size()
	if q.to != nil {
		q.to.awake()
	}
}

// pop takes the oldest message that waits.
func (q *queue) pop() item {
	i := q.waiting[0]
	q.waiting[0] = item{}
	q.waiting = q.waiting[1:]
	q.bytes -= i.m.size()
	if len(q.waiting) == 0 {
		q.waiting = nil
	}
	return i
}

// attach gives the queue to a client, or to nobody. What was sent and not acknowledged will be sent
// again. What waits for nobody and is of QoS 0 is forgotten.
func (q *queue) attach(c *client) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.to, q.resent, q.moved = c, 0, time.Now()
	if c == nil {
		q.waiting = slices.DeleteFunc(q.waiting, func(i item) bool {
			if i.qos == 0 {
				q.bytes -= i.m.size()
			}
			return i.qos == 0
		})
	} else if len(q.unacked)+len(q.waiting) > 0 {
		c.awake()
	}
}

// fill appends packets for a client to buf until there are enough bytes, nothing waits, or the client
// must acknowledge first.
func (q *queue) fill(c *client, buf []byte, enough int) []byte {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.to != c {
		return buf
	}
	for q.resent < min(len(q.unacked), c.maxUnacked) && len(buf) < enough {
		s := q.unacked[q.resent]
		before := len(buf)
		if buf = appendPublish(buf, s.m, c.version, s.flags()|8, s.id, c.maxPacket); len(buf) == before {
			q.forget(q.resent)
			q.dropped.Add(1)
			continue
		}
		q.resent++
	}
	for len(q.waiting) > 0 && len(buf) < enough {
		id := uint16(0)
		if q.waiting[0].qos > 0 {
			if id = q.nextID(c.maxUnacked); id == 0 {
				break
			}
		}
		i := q.pop()
		if i.m.expired() {
			continue
		}
		before := len(buf)
		if buf = appendPublish(buf, i.m, c.version, i.flags(), id, c.maxPacket); len(buf) == before {
			q.dropped.Add(1)
			continue
		}
		c.b.sent.Add(1)
		if id > 0 {
			if q.lastID = id; len(q.unacked) == 0 {
				q.moved = time.Now()
			}
			q.unacked = append(q.unacked, sent{i, id})
			q.resent++
			q.bytes += i.m.size()
			q.open += i.m.size()
		}
	}
	return buf
}

// nextID returns a number for a packet, 0 if so much is unacknowledged that there is none. Half of the
// room is left for what waits.
func (q *queue) nextID(most int) uint16 {
	id := q.lastID + 1
	if id == 0 {
		id = 1
	}
	if len(q.unacked) >= most || q.open > maxBytes/2 || len(q.unacked) > 0 && q.unacked[0].id == id {
		return 0
	}
	return id
}

// acknowledged forgets a message that a client has. A number that is not in use means nothing.
func (q *queue) acknowledged(c *client, id uint16) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.to != c {
		return
	}
	if i := slices.IndexFunc(q.unacked[:q.resent], func(s sent) bool { return s.id == id }); i >= 0 {
		q.forget(i)
		q.resent--
		q.moved = time.Now()
	}
	if len(q.waiting) > 0 || q.resent < len(q.unacked) {
		c.awake()
	}
}

// forget drops one of those that are unacknowledged, which is mostly the first.
func (q *queue) forget(i int) {
	q.bytes -= q.unacked[i].m.size()
	q.open -= q.unacked[i].m.size()
	if i == 0 {
		q.unacked[0] = sent{}
		q.unacked = q.unacked[1:]
		return
	}
	q.unacked = slices.Delete(q.unacked, i, i+1)
}

// long reports whether so much waits that a quick publisher should wait too.
func (q *queue) long() bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.to != nil && (len(q.waiting)+len(q.unacked) >= crowdedFrom || q.bytes > maxBytes/4)
}

// stuck returns the client if it stands still: messages wait, and it acknowledges none.
func (q *queue) stuck(now time.Time) *client {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.to != nil && len(q.unacked) > 0 && len(q.waiting) > 0 && now.Sub(q.moved) > ackTimeout {
		return q.to
	}
	return nil
}
