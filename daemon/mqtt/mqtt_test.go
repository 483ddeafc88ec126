package mqtt

import (
	"testing"
	"time"
)

// The waits double from the first to the most, never leave these bounds, and
// begin again after a connection that held.
func TestBackoff(t *testing.T) {
	p := UsualWaits()
	if p.First != 500*time.Millisecond || p.Most != 5*time.Second {
		t.Fatalf("bounds %s, %s", p.First, p.Most)
	}
	b := backoff{waits: &p}
	for i := range 40 {
		base := min(p.First<<min(i, 16), p.Most)
		if d := b.next(0); d < base/2 || d > base {
			t.Errorf("wait %d is %s, want %s and up to half less", i, d, base)
		}
	}
	if d := b.next(time.Minute); d > time.Second {
		t.Errorf("after a connection that held: %s", d)
	}
	if d := b.next(time.Second); d < p.First {
		t.Errorf("after one that did not: %s", d)
	}
}

func TestPasswordInTheClear(t *testing.T) {
	for broker, want := range map[string]bool{
		"tcp://127.0.0.1:1883": false, "tcp://localhost:1883": false, "tcp://[::1]:1883": false,
		"ssl://broker.example:8883": false, "tcp://broker.example:1883": true, "ws://10.0.0.7:9001": true,
	} {
		c := Config{Broker: broker, User: "u", Password: "p"}
		if c.bare() != want {
			t.Errorf("%s: %t", broker, !want)
		}
	}
}
