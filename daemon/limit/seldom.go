package limit

import (
	"sync"
	"time"
)

// lineEvery is how often a line of the log about the same refusal may come.
const lineEvery = 10 * time.Second

// Seldom keeps what strangers do from filling the log. The zero value is ready.
type Seldom struct {
	mu   sync.Mutex
	next time.Time
	held uint64
}

// Line reports whether a line may be written now, and how many were held back since the last.
func (s *Seldom) Line(now time.Time) (held uint64, write bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if now.Before(s.next) {
		s.held++
		return 0, false
	}
	held, s.held, s.next = s.held, 0, now.Add(lineEvery)
	return held, true
}
