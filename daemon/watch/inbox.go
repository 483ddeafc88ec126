package watch

import (
	"strings"
	"sync"

	"fairbore/daemon/publish"
)

// Bounds of what may wait to be taken. Real bores have some 5 to 30 kB.
const (
	maxStations = 500
	maxSlots    = 4 * maxStations          // bore, live, alive of station and of daemon
	maxWaiting  = 16 << 20                 // bytes of states, all together
	maxRecords  = 4096                     // records
	maxBacklog  = 8 << 20                  // bytes of records
	maxLive     = 16_384                   // bytes of a live message
	maxAlive    = 65_536                   // bytes of an alive message: 500 stations of 64 letters
	maxPacket   = publish.MaxPayload + 512 // bytes: payload, topic and what belongs to them
)

// message is one of a broker, as it came.
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

// counted is what an inbox has dropped.
type counted struct{ TooLarge, WrongStation, TooMany, Overrun uint64 }

// inbox stands between the library's goroutine, which must never wait, and the
// one that takes. States have one slot each, in which newer replaces older;
// records queue up to a bound.
type inbox struct {
	ready chan struct{}

	mu      sync.Mutex // guards what follows
	link    int        // number of the connection
	fresh   bool       // it has begun since the last take
	slots   map[slotKey]*message
	order   []slotKey // of the slots, oldest first
	waiting int       // bytes in slots
	most    int       // of them
	records []message
	backlog int // bytes in records
	lost    bool
	count   counted
}

func newInbox() *inbox {
	return &inbox{ready: make(chan struct{}, 1), most: maxWaiting, slots: map[slotKey]*message{}}
}

// changed wakes the goroutine that takes.
func (i *inbox) changed() {
	select {
	case i.ready <- struct{}{}:
	default:
	}
}

// begin forgets the states of the connection before, as the broker sends what
// it keeps anew, and returns the number of the new one.
func (i *inbox) begin() (link int) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.link++
	i.fresh, i.lost = true, false
	clear(i.slots)
	i.order, i.waiting = nil, 0
	return i.link
}

// parse takes a topic apart. Only the exact topics of stations are wanted.
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

// limit is the most bytes of a message.
func limit(leaf string) int {
	switch leaf {
	case publish.LeafLive:
		return maxLive
	case publish.LeafAlive:
		return maxAlive
	}
	return publish.MaxPayload
}

// put takes a message of a connection in, or drops and counts it; what a
// connection that is over still had in hand is nothing. It never waits.
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
		i.lost = i.lost || m.leaf != publish.LeafLive // to be asked for again
		return
	case old == nil:
		i.order = append(i.order, key)
	}
	i.slots[key] = &m
	i.waiting += size
}

// taken is all that an inbox had.
type taken struct {
	fresh           bool // the states are of a new connection
	lost            bool // states were dropped
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
