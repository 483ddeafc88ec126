package store

import "time"

// bounds returns the upper bounds by which the durations of commits are counted.
func bounds() [11]time.Duration {
	const ms = time.Millisecond
	return [...]time.Duration{ms, 2 * ms, 5 * ms, 10 * ms, 20 * ms, 50 * ms, 100 * ms, 200 * ms, 500 * ms, time.Second, 5 * time.Second}
}

// Latency tells how long commits took since the start, failed commits included.
type Latency struct {
	Commits uint64
	Sum     time.Duration
	// Within has, for each upper bound in seconds, the number of commits that took at most that
	// long.
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

// times counts commits and adds up how long they took.
type times struct {
	n      uint64
	sum    time.Duration
	within [11]uint64 // number of commits that took at most the bound of the same index in bounds
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
