package mqtt

import (
	"math/rand/v2"
	"time"
)

// Pace holds the waits of a connection.
type Pace struct {
	First, Most time.Duration // wait before another attempt, doubling
	Settled     time.Duration // a connection that held this long was a good one
	Connect     time.Duration // for the connection and its handshake
	Write       time.Duration // for one packet to go into the socket
	Answer      time.Duration // without any acknowledgement while some are due
	KeepAlive   time.Duration
	Ping        time.Duration // for its answer
}

// UsualPace are the waits unless a test shortens them.
func UsualPace() Pace {
	return Pace{
		First: 500 * time.Millisecond, Most: 30 * time.Second, Settled: 10 * time.Second,
		Connect: 5 * time.Second, Write: 3 * time.Second, Answer: 5 * time.Second,
		KeepAlive: 10 * time.Second, Ping: 4 * time.Second,
	}
}

// backoff yields the waits between attempts.
type backoff struct {
	pace  *Pace
	fails int // since the last connection that settled
}

// next returns the wait after a connection that held for a time (0: none came
// about): first, doubling up to most, and up to half of it more by chance, so
// that all daemons of a shop don't come back in the same instant.
func (b *backoff) next(held time.Duration) time.Duration {
	if held >= b.pace.Settled {
		b.fails = 0
	}
	d := b.pace.Most
	if b.fails < 16 {
		d = min(b.pace.First<<b.fails, b.pace.Most)
	}
	b.fails++
	return min(d+rand.N(d/2+1), b.pace.Most)
}
