package broker

import (
	"sync"
	"sync/atomic"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"golang.org/x/crypto/bcrypt"
)

// unknownUserHash is the hash of a random password that nobody kept, so that an unknown
// user costs the same time as a known one.
const unknownUserHash = "$2a$10$cTJjhsG6rCqk1zF3zVbRuOl9sethncbHTLOdk/fxs7lecAjU6OY0m"

// hook is the broker's only hook. It admits clients, decides what each may do, and counts losses.
type hook struct {
	mqtt.HookBase
	site      string
	users     map[string]User
	anonymous bool
	clients   func(id string) (user string, there bool)

	// hashing allows one password check at a time, since a check is slow by design and must not
	// take both cores from the gauges.
	hashing sync.Mutex

	retained retained

	dropped, refused atomic.Uint64
}

// ID names the hook in the library's log.
func (h *hook) ID() string { return "fairbore" }

// Provides says which of the library's calls the hook answers.
func (h *hook) Provides(b byte) bool {
	switch b {
	case mqtt.OnConnect, mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnPublishDropped,
		mqtt.OnPacketRead, mqtt.OnPublish, mqtt.OnWill, mqtt.OnRetainMessage, mqtt.OnSubscribed, mqtt.OnPacketProcessed:
		return true
	}
	return false
}

// OnConnect switches off the flow control towards the client (receive maximum of MQTT 5), with
// which this version of the library loses messages. It also switches off the delay of a last will,
// which the library would retain without the lock.
func (h *hook) OnConnect(cl *mqtt.Client, _ packets.Packet) error {
	cl.Properties.Will.WillDelayInterval = 0
	cl.Properties.Props.ReceiveMaximum = 0
	cl.State.Inflight.ResetSendQuota(0)
	return nil
}

// OnConnectAuthenticate checks the user and password, the last will, and that the client id is not
// in use by another user or by the publisher in this process.
func (h *hook) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	ok := cl.ID != mqtt.InlineClientId && h.known(string(pk.Connect.Username), pk.Connect.Password)
	if user, there := h.clients(cl.ID); ok && there {
		ok = user == string(pk.Connect.Username)
	}
	if ok && pk.Connect.WillFlag {
		ok = h.right(string(pk.Connect.Username)).mayPublish(h.site, pk.Connect.WillTopic)
	}
	if !ok {
		h.refused.Add(1)
	}
	return ok
}

func (h *hook) known(user string, password []byte) bool {
	if user == "" {
		return h.anonymous && len(password) == 0
	}
	u, ok := h.users[user]
	hash := u.Hash
	if !ok {
		hash = unknownUserHash
	}
	h.hashing.Lock()
	defer h.hashing.Unlock()
	return bcrypt.CompareHashAndPassword([]byte(hash), password) == nil && ok
}

func (h *hook) right(user string) right {
	u := h.users[user]
	return right{publish: u.Publish, command: u.Command}
}

// OnACLCheck decides whether a client may publish to a topic, or read it.
func (h *hook) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	r := h.right(string(cl.Properties.Username))
	if !write {
		return r.mayRead(h.site, topic)
	}
	ok := r.mayPublish(h.site, topic)
	if !ok {
		h.refused.Add(1)
	}
	return ok
}

// forbidden is a topic to which nobody may publish.
const forbidden = "nowhere"

// OnPacketRead replaces a topic below $SYS or with a wildcard by the forbidden one, so that it is
// refused like other topics. The library would ignore it, and the sender would wait for an answer
// for ever.
func (h *hook) OnPacketRead(_ *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if pk.FixedHeader.Type == packets.Publish && !mqtt.IsValidFilter(pk.TopicName, true) {
		pk.TopicName = forbidden
	}
	return pk, nil
}

// OnPublishDropped counts a message that was dropped because its subscriber was too slow.
func (h *hook) OnPublishDropped(*mqtt.Client, packets.Packet) { h.dropped.Add(1) }
