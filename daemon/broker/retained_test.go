package broker

import (
	"fmt"
	"sync"
	"testing"
)

func (b *Broker) clientNamed(id string) *client {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.sessions[sessionKey{user: other, id: id}].client
}

// Whoever subscribes while others retain messages, and while last wills are
// retained, gets each topic's newest: retained, or as it is said. The race
// detector watches.
func TestRetainedWhileOthersSubscribe(t *testing.T) {
	t.Parallel()
	b := start(t, Config{Anonymous: true})
	const stations, rounds = 20, 10
	var all sync.WaitGroup
	say := func(send func(topic, payload string) error) {
		for i := range rounds {
			for no := range stations {
				if err := send(fmt.Sprintf("fairbore/1/quarry-lane/hone-bay-%d/bore", no), fmt.Sprint(i)); err != nil {
					t.Error(err)
				}
			}
		}
	}
	c := own(t, b)
	wills := &box{}
	if err := done(t, c.Subscribe("fairbore/1/+/+/alive", 1, wills.put)); err != nil {
		t.Fatal(err)
	}
	all.Go(func() {
		say(func(topic, payload string) error { return done(t, c.Publish(topic, 1, true, payload)) })
	})
	all.Go(func() {
		say(func(topic, payload string) error { return b.Publish(topic, []byte(payload), true, 1) })
	})
	for i := range rounds {
		o := options(b, fmt.Sprintf("dies-%d", i), other, otherSecret)
		o.SetWill(fmt.Sprintf("fairbore/1/quarry-lane/hone-bay-%d/alive", i), "gone", 1, true)
		if _, err := try(t, o); err != nil {
			t.Fatal(err)
		}
		b.clientNamed(fmt.Sprintf("dies-%d", i)).raw.Close() // without a word
		viewer, x := login(t, b, fmt.Sprintf("viewer-%d", i), "", ""), &box{}
		if err := done(t, viewer.Subscribe("fairbore/1/+/+/#", 1, x.put)); err != nil {
			t.Fatal(err)
		}
	}
	all.Wait()
	until(t, "the last wills are said", func() bool { return len(wills.all()) == rounds }) // late they would come as they are said
	late, x := login(t, b, "late", "", ""), &box{}
	if err := done(t, late.Subscribe("fairbore/1/+/+/#", 1, x.put)); err != nil {
		t.Fatal(err)
	}
	want := map[string]bool{}
	for no := range stations {
		want[fmt.Sprintf("fairbore/1/quarry-lane/hone-bay-%d/bore %d true", no, rounds-1)] = true
	}
	for no := range rounds {
		want[fmt.Sprintf("fairbore/1/quarry-lane/hone-bay-%d/alive gone true", no)] = true
	}
	until(t, "the newest of each topic has come", func() bool {
		got := x.all()
		for _, s := range got {
			if !want[s] {
				t.Fatalf("got %q", s)
			}
		}
		return len(got) == len(want)
	})
}
