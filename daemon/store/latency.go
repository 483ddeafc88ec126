package store

import "time"

// bounds are the upper ends of the classes that the times of commits are counted in.
func bounds() []time.Duration {
	return []time.Duration{
		time.Millisecond, 2 * time.Millisecond, 5 * time.Millisecond, 10 * time.Millisecond, 20 * time.Millisecond, 50 * time.Millisecond,
		100 * time.Millisecond, 200 * time.Millisecond, 500 * time.Millisecond, time.Second, 5 * time.Second,
	}
}

// Latency tells how long commits took since the start, those that failed too.
type Latency struct {
	Commits uint64
	Sum     time.Duration
	// Within counts by an upper bound in seconds the commits that took at most that.
	Within map[float64]uint64
}

// Latency tells how long commits took.
func (j *Journal) Latency() Latency {
	j.mu.Lock()
	defer j.mu.Unlock()
	l := Latency{Commits: j.state.commits, Sum: j.state.took, Within: map[float64]uint64{}}
	n := uint64(0)
	for i, b := range bounds() {
		if i < len(j.state.classes) {
			n += j.state.classes[i]
		}
		l.Within[b.Seconds()] = n
	}
	return l
}

// committed counts a commit; j.mu is held.
func (c *condition) committed(took time.Duration) {
	if c.classes == nil {
		c.classes = make([]uint64, len(bounds()))
	}
	c.commits++
	c.took += took
	for i, b := range bounds() {
		if took <= b {
			c.classes[i]++
			return
		}
	}
}
