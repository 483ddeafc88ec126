package publish

import (
	"context"
	"errors"
	"fmt"
	"net"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

var errNoSubscription = errors.New("the broker did not answer the subscription in time")

// connection makes one connection and follows it until it fails or ctx ends. It
// returns how long it held, 0 if it didn't come about.
func (w *Watcher) connection(ctx context.Context) (held time.Duration, err error) {
	lost := make(chan error, 1)
	sock := &socket{}
	o := w.options(ctx, sock, lost, func(conn net.Conn) net.Conn { return newPacketFilter(ahead(conn, nil), maxPacket, w.inbox.tooLarge) })
	link := w.inbox.begin()
	client, err := w.call(ctx, o, sock)
	if err != nil {
		return 0, err
	}
	start := time.Now()
	defer func() {
		sock.close()
		client.Disconnect(0)
	}()
	if err := w.subscribe(ctx, client, link); err != nil {
		return 0, err
	}
	w.tell(true, "")
	err = w.follow(ctx, client, link, lost)
	return max(time.Since(start), 1), err
}

// follow waits until the connection fails or ctx ends, and asks again for what
// the broker keeps when some of it was lost on the way.
func (w *Watcher) follow(ctx context.Context, client mqtt.Client, link int, lost <-chan error) error {
	tick := time.NewTicker(10 * w.look)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-lost:
			return fmt.Errorf("connection lost: %w", err)
		case <-tick.C:
			if !w.wanting() {
				continue
			}
			if err := w.subscribe(ctx, client, link); err != nil {
				return err
			}
		}
	}
}

// subscribe asks for the topics one after the events, so that what is kept at
// the broker doesn't come all at once: some keep only 1000 messages for a client
// that is slower than they are. First comes who is alive. A subscription made
// again brings what is kept again (MQTT 3.1.1, section 3.8.4).
func (w *Watcher) subscribe(ctx context.Context, client mqtt.Client, link int) error {
	for _, leaf := range []string{alive, bore, reading, events, live} {
		qos := byte(1)
		if leaf == live {
			qos = 0
		}
		if err := w.insist(ctx, client, Topic(w.site, "+", leaf), qos, link); err != nil {
			return err
		}
	}
	return nil
}

// insist subscribes to a topic, again a few times if it is refused: the library
// of the embedded broker refuses for a moment, as it takes the identifier of our
// packet for that of a message of its own that is on its way (its source,
// processSubscribe).
func (w *Watcher) insist(ctx context.Context, client mqtt.Client, topic string, qos byte, link int) error {
	take := func(_ mqtt.Client, m mqtt.Message) { w.inbox.put(link, m.Topic(), m.Retained(), m.Payload()) }
	for wait := 20 * time.Millisecond; ; wait *= 2 {
		token := client.Subscribe(topic, qos, take)
		select {
		case <-token.Done():
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(w.pace.ack):
			return errNoSubscription
		}
		if err := token.Error(); err != nil {
			return err
		}
		t, ok := token.(*mqtt.SubscribeToken)
		if !ok || t.Result()[topic] <= 2 {
			return nil
		}
		if wait > time.Second {
			return fmt.Errorf("the broker refuses to tell of %s; check its access rules", topic)
		}
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
