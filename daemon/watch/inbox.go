package watch

import (
	"strings"
	"sync"

	"fairbore/daemon/publish"
)

// Limits of the messages that may wait in an inbox. A real bore has some 5 to 30 kB.
const (
	maxStations = 500
	maxSlots    = 4 * maxStations          // a station's bore, live and alive, and its daemon's alive
	maxWaiting  = 16 << 20                 // bytes of all states together
	maxRecords  = 4096                     // number of records
	maxBacklog  = 8 << 20                  // bytes of all records together
	maxLive     = 16_384                   // bytes of a live message
	maxAlive    = 65_536                   // bytes of an alive message: 500 stations of 64 letters
	maxPacket   = publish.MaxPayload + 512 // bytes of a packet: payload, topic and framing
)

// message is a message from a broker, as it came.
type message struct {
	place
	leaf     string
	retained bool
	payload  []byte
}

type slotKey struct {
	place
	leaf string
}

// counted holds the counts of dropped messages, by reason.
type counted struct{ TooLarge, WrongStation, TooMany, Overrun uint64 }

// inbox passes messages from the library's goroutine, which must never wait, to the goroutine that
// takes them. Each state has one slot, in which a newer message replaces an older one. Records
// queue up to a limit.
type inbox struct {
	ready chan struct{}

	mu      sync.Mutex // guards the fields below
	link    int        // number of the present connection
	fresh   bool       // the connection has begun since the last take
	slots   map[slotKey]*message
	order   []slotKey // the keys of slots, oldest first
	waiting int       // bytes in slots
	most    int       // most bytes in slots
	records []message
	backlog int  // bytes in records
	lost    bool // a bore or an alive was dropped since the last take
	count   counted
}

func newInbox() *inbox {
	return &inbox{ready: make(chan struct{}, 1), most: maxWaiting, slots: map[slotKey]*message{}}
}

// changed wakes the goroutine that takes the messages.
func (i *inbox) changed() {
	select {
	case i.ready <- struct{}{}:
	default:
	}
}

// begin starts a new connection and returns its number. It forgets the states of the previous
// connection, since the broker sends its retained messages again.
func (i *inbox) begin() (link int) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.link++
	i.fresh, i.lost = true, false
	clear(i.slots)
	i.order, i.waiting = nil, 0
	return i.link
}

// parse splits a topic into its place and leaf. It accepts only the exact topics of stations.
func parse(topic string) (at place, leaf string, ok bool) {
	l := strings.Split(topic, "/")
	if len(l) != 5 || l[0] != "fairbore" || l[1] != "1" || !publish.Level(l[2]) || !publish.Level(l[3]) {
		return place{}, "", false
	}
	switch l[4] {
	case publish.LeafLive, publish.LeafReading, publish.LeafEvent, publish.LeafBore, publish.LeafAlive:
		return place{l[2], l[3]}, l[4], true
	}
	return place{}, "", false
}

// limit returns the most bytes that a message of a leaf may have.
func limit(leaf string) int {
	switch leaf {
	case publish.LeafLive:
		return maxLive
	case publish.LeafAlive:
		return maxAlive
	}
	return publish.MaxPayload
}

// put adds a message of a connection to the inbox, or drops and counts it. It ignores a late
// message of an earlier connection. It never waits.
func (i *inbox) put(link int, topic string, retained bool, payload []byte) {
	at, leaf, ok := parse(topic)
	i.mu.Lock()
	defer i.mu.Unlock()
	switch {
	case link != i.link:
		return
	case !ok:
		i.count.WrongStation++
	case len(payload) > limit(leaf):
		i.count.TooLarge++
	case leaf == publish.LeafReading || leaf == publish.LeafEvent:
		i.queue(message{at, leaf, retained, payload})
	default:
		i.replace(message{at, leaf, retained, payload})
	}
	i.changed()
}

func (i *inbox) queue(m message) {
	if len(i.records) >= maxRecords || i.backlog+len(m.payload) > maxBacklog {
		i.count.Overrun++
		return
	}
	i.records = append(i.records, m)
	i.backlog += len(m.payload)
}

func (i *inbox) replace(m message) {
	key := slotKey{m.place, m.leaf}
	old := i.slots[key]
	size := len(m.payload)
	if old != nil {
		size -= len(old.payload)
	}
	switch {
	case old == nil && len(i.slots) >= maxSlots:
		i.count.TooMany++
		return
	case i.waiting+size > i.most:
		i.count.Overrun++
		i.lost = i.lost || m.leaf != publish.LeafLive // the broker is asked for it again
		return
	case old == nil:
		i.order = append(i.order, key)
	}
	i.slots[key] = &m
	i.waiting += size
}

// taken is the contents of an inbox.
type taken struct {
	fresh           bool // the states come from a new connection
	lost            bool // bores or alives were dropped
	states, records []message
}

func (i *inbox) take() (t taken) {
	i.mu.Lock()
	defer i.mu.Unlock()
	t = taken{fresh: i.fresh, lost: i.lost, records: i.records}
	for _, key := range i.order {
		t.states = append(t.states, *i.slots[key])
	}
	i.fresh, i.lost = false, false
	clear(i.slots)
	i.order, i.waiting, i.records, i.backlog = nil, 0, nil, 0
	return t
}

func (i *inbox) tooLarge() {
	i.mu.Lock()
	i.count.TooLarge++
	i.mu.Unlock()
	i.changed()
}

func (i *inbox) counts() counted {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.count
}
