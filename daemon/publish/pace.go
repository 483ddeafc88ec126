package publish

import "time"

// pace holds the waits of a publisher besides those of its connection, so that a test
// can shorten them.
type pace struct {
	live  time.Duration // between two live messages of a station
	beat  time.Duration // between two alive messages
	leave time.Duration // to say goodbye
}

func usualPace() pace {
	return pace{live: 50 * time.Millisecond, beat: 10 * time.Second, leave: 2 * time.Second}
}
