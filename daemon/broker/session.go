package broker

import (
	"net/netip"
	"slices"
	"strings"
	"time"

	"fairbore/daemon/limit"
)

// The bounds of the sessions.
const (
	maxFilters = 64 // of a session
	// maxReceived bounds the messages of QoS 2 that a client has not released.
	maxReceived = 1024
	// maxRoutes bounds the topics whose subscribers are remembered.
	maxRoutes = 4096
)

// sessionKey tells sessions apart. Each user has client ids of their own, and so has each address of
// those without a user, so that nobody can take the place of another's client, or keep it out.
type sessionKey struct {
	user, id string
	from     netip.Prefix // zero for a user, who may move
}

func keyOf(c *client, h *hello) sessionKey {
	k := sessionKey{user: h.user, id: h.id}
	if h.user == "" {
		k.from = limit.Address(c.from)
	}
	return k
}

// session is what a client has subscribed to, and what waits for it. The broker's lock guards it.
type session struct {
	key      sessionKey
	right    right
	filters  map[string]*subscription
	queue    queue
	client   *client             // nil: away
	until    time.Time           // when it is forgotten, while it is away
	received map[uint16]struct{} // messages of QoS 2 that are not released
}

// subscription is a filter of a session, or of this process.
type subscription struct {
	wish
	session *session // nil: this process
	levels  []string // of the filter without its group
	qos     byte     // granted
	group   string   // and filter, of a shared subscription
	take    func(topic string, payload []byte, retained bool)
}

// route is who gets a message of one topic.
type route struct {
	each   []*subscription
	shared [][]*subscription // one of each gets it
	local  []func(topic string, payload []byte, retained bool)
}

const sharePrefix = "$share/"

// newSubscription returns the subscription for a wish. The filter is a valid one.
func newSubscription(s *session, w wish) *subscription {
	n := &subscription{wish: w, session: s, qos: min(w.qos, 1)}
	filter := w.filter
	if rest, shared := strings.CutPrefix(filter, sharePrefix); shared {
		_, filter, _ = strings.Cut(rest, "/")
		n.group = w.filter
	}
	n.levels = strings.Split(filter, "/")
	return n
}

// validFilter reports whether a filter is one by section 4.7 of the standard, shared or not.
func validFilter(filter string) bool {
	if rest, shared := strings.CutPrefix(filter, sharePrefix); shared {
		var group string
		group, filter, _ = strings.Cut(rest, "/")
		if group == "" || strings.ContainsAny(group, "+#") {
			return false
		}
	}
	levels := strings.Split(filter, "/")
	for i, l := range levels {
		if strings.ContainsAny(l, "+#") && len(l) > 1 || l == "#" && i < len(levels)-1 {
			return false
		}
	}
	return filter != ""
}

// matches reports whether a topic, which has no level that begins with $, is one of a filter.
func matches(filter, topic []string) bool {
	for i, f := range filter {
		if f == "#" {
			return true
		}
		if i >= len(topic) || f != "+" && f != topic[i] {
			return false
		}
	}
	return len(filter) == len(topic)
}

// deliver puts a message into the queue of the subscriber.
func (s *subscription) deliver(m *message, retain bool) {
	if s.noLocal && m.from == s.session {
		return
	}
	s.session.queue.push(item{m: m, qos: min(m.qos, s.qos), retain: retain})
}

// route returns who gets the messages of a topic. A client that subscribed more than once with
// filters that overlap gets a message once.
func (b *Broker) route(topic string) route {
	if r, ok := b.routes[topic]; ok {
		return r
	}
	levels := strings.Split(topic, "/")
	var r route
	for _, s := range b.local {
		if matches(s.levels, levels) {
			r.local = append(r.local, s.take)
		}
	}
	shared := map[string][]*subscription{}
	for _, s := range b.sessions {
		if !s.right.mayRead(b.cfg.Site, topic) {
			continue
		}
		var own *subscription
		for _, sub := range s.filters {
			switch {
			case !matches(sub.levels, levels):
			case sub.group != "":
				shared[sub.group] = append(shared[sub.group], sub)
			case own == nil || sub.qos > own.qos:
				own = sub
			}
		}
		if own != nil {
			r.each = append(r.each, own)
		}
	}
	for _, members := range shared {
		r.shared = append(r.shared, members)
	}
	if len(b.routes) >= maxRoutes {
		b.routes = map[string]route{}
	}
	b.routes[topic] = r
	return r
}

// subscribe adds the wishes to a session, with what is retained for them, and returns the codes of
// the answer. The code of MQTT 3.1.1 for any refusal is 0x80.
func (b *Broker) subscribe(s *session, wishes []wish, version byte) (codes []byte) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, w := range wishes {
		granted := code(min(w.qos, 1))
		old := s.filters[w.filter]
		switch {
		case !validFilter(w.filter):
			granted = badFilter
		case !s.right.mayRead(b.cfg.Site, w.filter):
			granted = notAuthorized
		case old == nil && len(s.filters) >= maxFilters:
			granted = quotaExceeded
		default:
			n := newSubscription(s, w)
			s.filters[w.filter] = n
			b.routes = map[string]route{}
			if n.group != "" || w.handing == 2 || w.handing == 1 && old != nil {
				break
			}
			for _, m := range b.retainedFor(n) {
				n.deliver(m, true)
			}
		}
		if granted >= unspecified {
			b.refused.Add(1)
			if version != mqtt5 {
				granted = unspecified
			}
		}
		codes = append(codes, byte(granted))
	}
	return codes
}

// retainedFor returns what is retained for a subscription, by topic.
func (b *Broker) retainedFor(s *subscription) (all []*message) {
	for topic, m := range b.retained {
		if m.expired() {
			delete(b.retained, topic)
		} else if matches(s.levels, strings.Split(topic, "/")) && (s.session == nil || s.session.right.mayRead(b.cfg.Site, topic)) {
			all = append(all, m)
		}
	}
	slices.SortFunc(all, func(a, b *message) int { return strings.Compare(a.topic, b.topic) })
	return all
}

// unsubscribe removes filters from a session, and returns the codes of the answer.
func (b *Broker) unsubscribe(s *session, filters []string) (codes []byte) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.routes = map[string]route{}
	for _, f := range filters {
		c := noSubscription
		if s.filters[f] != nil {
			c = 0
			delete(s.filters, f)
		}
		codes = append(codes, byte(c))
	}
	return codes
}

// enter gives a client its session: the one that is kept for it, or a new one. A client that has the
// session already is put out. It returns its last will, which the caller must publish, and false if
// there is no place.
func (b *Broker) enter(c *client, h *hello) (resumed bool, will func(), ok bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	key := keyOf(c, h)
	s := b.sessions[key]
	will = func() {}
	if s != nil && s.client != nil {
		will = b.detach(s)
	}
	if b.ended || b.clients >= b.cfg.Clients || !b.takePlace(c, key) {
		return false, will, false
	}
	if s != nil && h.clean {
		b.drop(s)
		s = nil
	}
	resumed = s != nil
	if !resumed {
		s = &session{key: key, right: b.right(h.user), filters: map[string]*subscription{}, received: map[uint16]struct{}{}, queue: queue{dropped: &b.dropped}}
		b.sessions[key] = s
	}
	b.clients++
	s.client, c.session = c, s
	s.queue.attach(c)
	b.makeRoom()
	return resumed, will, true
}

// takePlace takes one of the places for clients without a user, of which some are left for users.
func (b *Broker) takePlace(c *client, key sessionKey) (ok bool) {
	c.leave = func() {}
	if key.user != "" {
		return true
	}
	leave, ok := b.readers.Take(c.from)
	if ok {
		c.leave = leave
	}
	return ok
}

// detach takes the client from a session because another takes its place.
func (b *Broker) detach(s *session) (will func()) {
	old := s.client
	b.clients--
	s.client = nil
	s.queue.attach(nil)
	old.leave()
	b.served.Go(func() { old.end(takenOver) })
	if w := old.will; w != nil {
		old.will = nil
		return func() { b.publish(w) }
	}
	return func() {}
}

// exit ends the connection of a client with its session. It publishes its last will unless the client
// said goodbye.
func (b *Broker) exit(c *client) {
	if w := b.exited(c); w != nil {
		b.publish(w)
	}
}

func (b *Broker) exited(c *client) *message {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := c.session
	if s.client != c {
		return nil // another has taken its place, and has seen to all of this
	}
	b.clients--
	c.leave()
	s.client = nil
	s.queue.attach(nil)
	s.until = time.Now().Add(c.keep)
	if c.keep == 0 {
		b.drop(s)
	}
	if b.ended {
		return nil
	}
	return c.will
}

func (b *Broker) drop(s *session) {
	delete(b.sessions, s.key)
	b.routes = map[string]route{}
}

// makeRoom forgets sessions that are away if there are too many: those without a user first, of these
// the one that will be forgotten first anyway.
func (b *Broker) makeRoom() {
	if len(b.sessions) <= b.cfg.Clients {
		return
	}
	var first *session
	for _, s := range b.sessions {
		if s.client != nil {
			continue
		}
		stranger := s.key.user == ""
		if first == nil || stranger && first.key.user != "" || stranger == (first.key.user == "") && s.until.Before(first.until) {
			first = s
		}
	}
	if first != nil {
		b.drop(first)
	}
}

// forgetAbsent forgets sessions that were away for too long.
func (b *Broker) forgetAbsent(now time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.sessions {
		if s.client == nil && now.After(s.until) {
			b.drop(s)
		}
	}
}
