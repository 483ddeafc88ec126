package watch

import (
	"context"
	"net"
	"time"

	"fairbore/analysis"
	"fairbore/daemon/mqtt"
	"fairbore/daemon/publish"
)

// connection makes one connection and uses it until it fails or ctx ends. It returns how long the
// connection lasted, 0 if it was not made.
func (w *Watcher) connection(ctx context.Context) (held time.Duration, err error) {
	link := w.inbox.begin()
	conn, err := w.dialer.Dial(ctx, nil, func(conn net.Conn) net.Conn { return newPacketFilter(conn, maxPacket, w.inbox.tooLarge) })
	if err != nil {
		return 0, err
	}
	start := time.Now()
	defer conn.Cut()
	if err := w.subscribe(ctx, conn, link); err != nil {
		return 0, err
	}
	w.tell(true, analysis.Phrase{})
	err = w.follow(ctx, conn, link)
	return max(time.Since(start), 1), err
}

// follow waits until the connection fails or ctx ends. If retained messages were lost on the way,
// it asks the broker for them again.
func (w *Watcher) follow(ctx context.Context, conn *mqtt.Conn, link int) error {
	tick := time.NewTicker(10 * w.look)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-conn.Lost:
			return mqtt.Lost(err)
		case <-tick.C:
			if !w.wanting() {
				continue
			}
			if err := w.subscribe(ctx, conn, link); err != nil {
				return err
			}
		}
	}
}

// subscribe subscribes to the topics one after the other, and to the alive messages first. So the
// retained messages don't all come at once: some brokers keep only 1000 messages for a client that
// is slower than they are. A repeated subscription brings the retained messages again (MQTT 3.1.1,
// section 3.8.4).
func (w *Watcher) subscribe(ctx context.Context, conn *mqtt.Conn, link int) error {
	for _, leaf := range []string{publish.LeafAlive, publish.LeafBore, publish.LeafReading, publish.LeafEvent, publish.LeafLive} {
		qos := byte(1)
		if leaf == publish.LeafLive {
			qos = 0
		}
		if err := w.insist(ctx, conn, publish.Topic(w.site, "+", leaf), qos, link); err != nil {
			return err
		}
	}
	return nil
}

// insist subscribes to a topic, and tries a few times more if the broker refuses. The library of
// the embedded broker may refuse for a moment. It confuses the identifier of our packet with that
// of a message of its own that is on its way (its source, processSubscribe).
func (w *Watcher) insist(ctx context.Context, conn *mqtt.Conn, topic string, qos byte, link int) error {
	take := func(topic string, payload []byte, retained bool) { w.inbox.put(link, topic, retained, payload) }
	for wait := 20 * time.Millisecond; ; wait *= 2 {
		refused, err := conn.Subscribe(ctx, []string{topic}, qos, take)
		switch {
		case err != nil:
			return err
		case refused == nil:
			return nil
		case wait > time.Second:
			return analysis.Say("mqtt.topic_refused", topic)
		}
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
