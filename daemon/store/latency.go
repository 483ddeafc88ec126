package store

import "time"

// bounds are the upper ends of the classes that the times of commits are counted in.
func bounds() [11]time.Duration {
	const ms = time.Millisecond
	return [...]time.Duration{ms, 2 * ms, 5 * ms, 10 * ms, 20 * ms, 50 * ms, 100 * ms, 200 * ms, 500 * ms, time.Second, 5 * time.Second}
}

// Latency tells how long commits took since the start, those that failed too.
type Latency struct {
	Commits uint64
	Sum     time.Duration
	// Within counts by an upper bound in seconds the commits that took at most that.
	Within map[float64]uint64
}

// Latency returns how long commits took since the start.
func (j *Journal) Latency() Latency {
	j.mu.Lock()
	defer j.mu.Unlock()
	t := &j.state.times
	l := Latency{Commits: t.n, Sum: t.sum, Within: map[float64]uint64{}}
	for i, b := range bounds() {
		l.Within[b.Seconds()] = t.within[i]
	}
	return l
}

// times counts commits: how many, how long in all, and how many within each bound.
type times struct {
	n      uint64
	sum    time.Duration
	within [11]uint64 // of bounds
}

func (t *times) add(took time.Duration) {
	t.n++
	t.sum += took
	for i, b := range bounds() {
		if took <= b {
			t.within[i]++
		}
	}
}
