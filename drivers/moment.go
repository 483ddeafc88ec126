package drivers

import "time"

// Moment is when something happened: by the wall clock, which may jump and is for the
// record, and by the steady one, for order and durations.
type Moment struct {
	Wall time.Time
	Mono time.Duration // since the program started
}
