package broker

import (
	"fmt"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// What this process publishes reaches a real client in order, a late one gets what
// is retained, and the payload is not held on to.
func TestPublishFromThisProcess(t *testing.T) {
	b := opened(t, Config{Anonymous: true})
	if err := b.Publish(topic+"alive", []byte("online"), true, 1); err != nil {
		t.Fatalf("before it serves: %v", err)
	}
	serve(t, b)
	var x box
	r := login(t, b, "r", "", "")
	if err := done(t, r.Subscribe("fairbore/1/#", 1, x.put)); err != nil {
		t.Fatal(err)
	}
	until(t, "the retained message arrives", func() bool { return len(x.all()) == 1 })
	payload := []byte("0000")
	for i := range 500 {
		if err := b.Publish(topic+"reading", fmt.Appendf(payload[:0], "%04d", i), false, 1); err != nil {
			t.Fatal(err)
		}
	}
	until(t, "all arrive", func() bool { return len(x.all()) == 501 })
	for i, got := range x.all() {
		want := topic + "alive online true"
		if i > 0 {
			want = fmt.Sprintf("%sreading %04d false", topic, i-1)
		}
		if got != want {
			t.Fatalf("message %d is %s, want %s", i, got, want)
		}
	}
}

// Commands of a client reach this process. One that is to be retained is taken once and not kept, or it
// would be carried out again later; other messages are kept, and marked when they are handed out.
func TestSubscribeFromThisProcess(t *testing.T) {
	b := start(t, Config{Users: []User{{Name: "pedal", Hash: hash(t, "p"), Command: true}}})
	c := login(t, b, "pedal", "pedal", "p")
	if err := done(t, c.Publish(topic+"do", 1, true, "old")); err != nil {
		t.Fatal(err)
	}
	if err := b.Publish(topic+"bore", []byte("kept"), true, 1); err != nil {
		t.Fatal(err)
	}
	var x box
	err := b.Subscribe(topic+"+", func(topic string, payload []byte, retained bool) {
		x.mu.Lock()
		defer x.mu.Unlock()
		x.got = append(x.got, fmt.Sprintf("%s %s %t", topic, payload, retained))
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, retain := range []bool{false, true} {
		if err := done(t, c.Publish(topic+"do", 1, retain, "new")); err != nil {
			t.Fatal(err)
		}
	}
	until(t, "the commands arrive", func() bool { return len(x.all()) == 3 })
	want := []string{topic + "bore kept true", topic + "do new false", topic + "do new false"}
	if got := x.all(); strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("%q, want %q", got, want)
	}
}

// A subscriber that is slower than this process is waited for, and one that stands
// still is not.
func TestSlowSubscriberIsWaitedFor(t *testing.T) {
	t.Parallel()
	b := start(t, Config{Anonymous: true})
	b.throttle.wait, b.throttle.giveUp = time.Minute, time.Hour
	var x box
	r := login(t, b, "r", "", "")
	if err := done(t, r.Subscribe("fairbore/1/#", 1, x.put)); err != nil {
		t.Fatal(err)
	}
	const many = 3 * maxWaiting
	for range many {
		if err := b.Publish(topic+"reading", []byte("x"), false, 1); err != nil {
			t.Fatal(err)
		}
	}
	until(t, "all arrive", func() bool { return len(x.all()) == many })
	if n := b.Stats().Dropped; n > 0 {
		t.Errorf("%d dropped", n)
	}

	b.throttle.wait, b.throttle.giveUp = time.Millisecond, 0
	block := make(chan struct{})
	defer close(block)
	s := login(t, b, "s", "", "")
	if err := done(t, s.Subscribe("fairbore/1/#", 1, func(mqtt.Client, mqtt.Message) { <-block })); err != nil {
		t.Fatal(err)
	}
	for range 600 { // more than the network holds
		if err := b.Publish(topic+"bore", make([]byte, 100_000), false, 1); err != nil {
			t.Fatal(err)
		}
	}
	until(t, "the one that stands still is cut off", func() bool { return b.Stats().Clients == 1 })
}
