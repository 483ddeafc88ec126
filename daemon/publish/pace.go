package publish

import (
	"math/rand/v2"
	"time"
)

// pace holds the waits of a publisher, so that a test can shorten them.
type pace struct {
	first, most time.Duration // wait before another attempt, doubling
	settled     time.Duration // a connection that held this long was a good one
	connect     time.Duration // for the connection and its handshake
	write       time.Duration // for one packet to go into the socket
	ack         time.Duration // without any acknowledgement while some are due
	keepAlive   time.Duration
	ping        time.Duration
	live        time.Duration // between two live messages of a station
	beat        time.Duration // between two alive messages
	leave       time.Duration // to say goodbye
}

func usualPace() pace {
	return pace{
		first: 500 * time.Millisecond, most: 30 * time.Second, settled: 10 * time.Second,
		connect: 5 * time.Second, write: 3 * time.Second, ack: 5 * time.Second,
		keepAlive: 10 * time.Second, ping: 4 * time.Second,
		live: 50 * time.Millisecond, beat: 10 * time.Second, leave: 2 * time.Second,
	}
}

// backoff yields the waits between attempts.
type backoff struct {
	pace  *pace
	fails int // since the last connection that settled
}

// next returns the wait after a connection that held for a time (0: none came
// about): first, doubling up to most, and up to half of it more by chance, so
// that all daemons of a shop don't come back in the same instant.
func (b *backoff) next(held time.Duration) time.Duration {
	if held >= b.pace.settled {
		b.fails = 0
	}
	d := b.pace.most
	if b.fails < 16 {
		d = min(b.pace.first<<b.fails, b.pace.most)
	}
	b.fails++
	return min(d+rand.N(d/2+1), b.pace.most)
}
