package publish

import (
	"context"
	"errors"

	"fairbore/daemon/mqtt"
)

// Local is a broker in this process. It has a message when Publish returns; the
// payload is then the caller's again.
type Local interface {
	Publish(topic string, payload []byte, retain bool, qos byte) error
	// Subscribe calls take for each message that matches, by the goroutine of
	// whoever sends it; take keeps nothing of the payload.
	Subscribe(filter string, take func(topic string, payload []byte, retained bool)) error
}

// carrier takes messages to a broker.
type carrier interface {
	// Publish hands a message over. The token tells of its acknowledgement; nil
	// says that the broker has it already and the payload can be used again.
	Publish(topic string, qos byte, retain bool, payload []byte) (mqtt.Token, error)
	// Subscribe asks for topics and returns those that are refused.
	Subscribe(ctx context.Context, topics []string, qos byte, take func(topic string, payload []byte, retained bool)) (refused []string, err error)
	// hold says that more messages follow at once, release that they have.
	hold()
	release() error
	// gather says that so many acknowledgements are awaited that none of them is
	// pressing, or that this is over.
	gather(bool)
	// Leave ends in order, after the last acknowledgement; Cut ends at once.
	Leave()
	Cut()
}

// remote is a connection to a broker.
type remote struct {
	*batch
	*mqtt.Conn
}

// local is the broker in this process. There is no connection that could be lost:
// no acknowledgement to wait for, and no last will, since broker and publisher die together.
type local struct{ Local }

func (l local) Publish(topic string, qos byte, retain bool, payload []byte) (mqtt.Token, error) {
	return nil, l.Local.Publish(topic, payload, retain, qos)
}

func (l local) Subscribe(_ context.Context, topics []string, _ byte, take func(string, []byte, bool)) (refused []string, err error) {
	for _, t := range topics {
		err = errors.Join(err, l.Local.Subscribe(t, take))
	}
	return nil, err
}

func (local) hold()          {}
func (local) release() error { return nil }
func (local) gather(bool)    {}
func (local) Leave()         {}
func (local) Cut()           {}
