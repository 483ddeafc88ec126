package mqtt

import (
	"context"
	"errors"
	"net"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Conn is a connection to a broker. End it with Leave or Cut.
type Conn struct {
	Lost   <-chan error // receives why the connection was lost
	answer time.Duration
	client paho.Client
	sock   *socket
}

// Token tells when a message is acknowledged.
type Token interface {
	Done() <-chan struct{} // closed when the acknowledgement has come or can't come any more
	Error() error          // why the acknowledgement can't come
}

// Publish sends a message. It waits for the socket no longer than the write limit.
func (c *Conn) Publish(topic string, qos byte, retain bool, payload []byte) (Token, error) {
	t := c.client.Publish(topic, qos, retain, payload)
	select {
	case <-t.Done():
		return t, t.Error()
	default:
		return t, nil
	}
}

// The errors of a broker that is connected but does not answer.
var (
	ErrNoAnswer = errors.New("the broker did not answer the subscription in time")
	ErrNoAck    = errors.New("the broker stopped acknowledging")
)

// lost is the error of a connection that was made and then lost.
type lost struct{ cause error }

// Lost returns the error for a connection that was lost because of cause.
func Lost(cause error) error { return lost{cause} }

func (l lost) Error() string { return "connection lost: " + l.cause.Error() }
func (l lost) Unwrap() error { return l.cause }

// Subscribe subscribes to topics and returns the topics that the broker refuses. A goroutine of the
// library calls take for each message, so take must not wait.
func (c *Conn) Subscribe(ctx context.Context, topics []string, qos byte, take func(topic string, payload []byte, retained bool)) (refused []string, err error) {
	filters := map[string]byte{}
	for _, t := range topics {
		filters[t] = qos
	}
	token := c.client.SubscribeMultiple(filters, func(_ paho.Client, m paho.Message) { take(m.Topic(), m.Payload(), m.Retained()) })
	select {
	case <-token.Done():
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-time.After(c.answer):
		return nil, ErrNoAnswer
	}
	if t, ok := token.(*paho.SubscribeToken); ok && token.Error() == nil {
		for topic, code := range t.Result() {
			if code > 2 {
				refused = append(refused, topic)
			}
		}
	}
	return refused, token.Error()
}

// Leave ends the connection properly, so that the broker sends no will.
func (c *Conn) Leave() { c.client.Disconnect(250) }

// Cut ends the connection at once.
func (c *Conn) Cut() {
	c.sock.close()
	c.client.Disconnect(0)
}

// socket is the network connection under a client. It is kept so that Cut can close it without a
// proper disconnection. After a proper disconnection the broker would not send the last will.
type socket struct {
	mu   sync.Mutex
	conn net.Conn
	cut  bool
}

func (s *socket) set(c net.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.conn = c
	if s.cut {
		c.Close()
	}
}

func (s *socket) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cut = true
	if s.conn != nil {
		s.conn.Close()
	}
}
