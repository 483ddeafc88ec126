package drivers

import "time"

// Moment is when something happened, by two clocks. The wall clock may jump; it is for the record.
// The steady clock is for the order of things and for durations.
type Moment struct {
	Wall time.Time
	Mono time.Duration // since the program started
}
