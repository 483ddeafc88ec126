package master

import (
	"errors"
	"math"
	"time"

	"fairbore/analysis"
)

// Mark is a point in the order of events: sequence number and time.
type Mark struct {
	Seq uint64    `json:"seq"`
	At  time.Time `json:"at"`
}

// Look is a mastering or a zero check in the order of events.
type Look struct {
	Mark
	Good      bool `json:"good"`
	Mastering bool `json:"mastering"` // it set the zero
}

// Interval holds the events after After and before Before.
type Interval struct {
	After  Mark `json:"after"`
	Before Mark `json:"before"`
}

// Contains reports whether the event with that sequence number lies in between.
func (i Interval) Contains(seq uint64) bool { return seq > i.After.Seq && seq < i.Before.Seq }

// InDoubt returns the interval of the readings that a failed check puts in doubt: those since the last
// good look. Without a good look, everything before the check is in doubt (After is zero). looks may
// be in any order. Source: common practice.
func InDoubt(looks []Look, failed Mark) Interval {
	i := Interval{Before: failed}
	for _, l := range looks {
		if l.Good && l.Seq < failed.Seq && l.Seq > i.After.Seq {
			i.After = l.Mark
		}
	}
	return i
}

// KnownError is a moment at which the gauge's error is known: 0 at a mastering, Error at a later check. The
// error is positive when the gauge reads large.
type KnownError struct {
	Mark
	Error analysis.Deviation `json:"error_um"`
}

// PastReading is a reading to be corrected again.
type PastReading struct {
	Mark
	Size analysis.Length `json:"size_mm"`
}

// Recorrected is a new value beside a reading. The reading itself stays as it is.
type Recorrected struct {
	Mark
	Was analysis.Length    `json:"was_mm"`
	Now analysis.Length    `json:"now_mm"`
	By  analysis.Deviation `json:"by_um"`
	// Within is how far the new value may be wrong if the drift went only one way but not at an even rate.
	// It is the half width of a component of the budget.
	Within analysis.Deviation `json:"within_um"`
}

// Recorrect works out what the readings between two moments would have been, for a drift that is
// linear in time. It leaves out readings outside. It fails when the moments are out of order, by
// number or by clock. Source: common practice.
func Recorrect(readings []PastReading, from, to KnownError) ([]Recorrected, error) {
	span := to.At.Sub(from.At)
	if to.Seq <= from.Seq || span <= 0 {
		return nil, errors.New("correct again: the two checks aren't in order; was the clock moved?")
	}
	between := Interval{After: from.Mark, Before: to.Mark}
	var out []Recorrected
	for _, r := range readings {
		if !between.Contains(r.Seq) {
			continue
		}
		// If the clock was moved in between, a reading still stays within its interval.
		f := min(max(float64(r.At.Sub(from.At))/float64(span), 0), 1)
		drift := float64(to.Error) - float64(from.Error)
		by := -analysis.Deviation(math.Round(float64(from.Error) + f*drift))
		out = append(out, Recorrected{Mark: r.Mark, Was: r.Size, Now: r.Size + analysis.Length(by), By: by,
			Within: analysis.Deviation(math.Ceil(math.Abs(drift) * max(f, 1-f)))})
	}
	return out, nil
}
