package publish

import (
	"context"
	"errors"

	"fairbore/daemon/mqtt"
)

// Local is a broker in this process. It has a message when Publish returns, and the caller may use
// the payload again.
type Local interface {
	Publish(topic string, payload []byte, retain bool, qos byte) error
	// Subscribe calls take for each message that matches, in the goroutine that sends it. take must
	// not keep the payload.
	Subscribe(filter string, take func(topic string, payload []byte, retained bool)) error
}

// carrier takes messages to a broker.
type carrier interface {
	// Publish passes on a message. The token tells when it is acknowledged. nil means that the
	// broker already has it and the payload may be used again.
	Publish(topic string, qos byte, retain bool, payload []byte) (mqtt.Token, error)
	// Subscribe subscribes to topics and returns those that the broker refuses.
	Subscribe(ctx context.Context, topics []string, qos byte, take func(topic string, payload []byte, retained bool)) (refused []string, err error)
	// hold says that more messages follow at once; release says that they have.
	hold()
	release() error
	// gather says whether so many acknowledgements are awaited that none of them is urgent.
	gather(bool)
	// Leave ends the connection properly, after the last acknowledgement. Cut ends it at once.
	Leave()
	Cut()
}

// remote is a connection to a broker.
type remote struct {
	*batch
	*mqtt.Conn
}

// local is the broker in this process. It has no connection that could be lost, so there are no
// acknowledgements to wait for. It has no last will either, since broker and publisher end
// together.
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
