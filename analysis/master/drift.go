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

// Contains reports whether the event of that sequence number lies in between.
func (i Interval) Contains(seq uint64) bool { return seq > i.After.Seq && seq < i.Before.Seq }

// InDoubt returns the interval whose readings a failed check puts in doubt:
// since the last good look before it. Without one, everything before it is in
// doubt (After is zero). looks may be in any order.
// Source: common practice.
func InDoubt(looks []Look, failed Mark) Interval {
	i := Interval{Before: failed}
	for _, l := range looks {
		if l.Good && l.Seq < failed.Seq && l.Seq > i.After.Seq {
			i.After = l.Mark
		}
	}
	return i
}

// Known is a moment at which the gauge's error is known, positive when it
// reads large: 0 at a mastering, a check's Error later.
type Known struct {
	Mark
	Error analysis.Deviation `json:"error_um"`
}

// Taken is a reading to be corrected again.
type Taken struct {
	Mark
	Size analysis.Length `json:"size_mm"`
}

// Recorrected is a new value beside a reading, which itself stays as it is.
type Recorrected struct {
	Mark
	Was analysis.Length    `json:"was_mm"`
	Now analysis.Length    `json:"now_mm"`
	By  analysis.Deviation `json:"by_um"`
	// Within is how far the new value may be off if the drift was not even in
	// time but went only one way: the half width of a line of the budget.
	Within analysis.Deviation `json:"within_um"`
}

// Recorrect works out what readings between two moments would have been,
// taking the drift from one to the other as linear in time. Readings outside
// are left out. It fails when the moments aren't in order, by number and by clock.
// Source: common practice.
func Recorrect(readings []Taken, from, to Known) ([]Recorrected, error) {
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
		// A clock that moved in between can't take a reading out of its interval.
		f := min(max(float64(r.At.Sub(from.At))/float64(span), 0), 1)
		drift := float64(to.Error) - float64(from.Error)
		by := -analysis.Deviation(math.Round(float64(from.Error) + f*drift))
		out = append(out, Recorrected{Mark: r.Mark, Was: r.Size, Now: r.Size + analysis.Length(by), By: by,
			Within: analysis.Deviation(math.Ceil(math.Abs(drift) * max(f, 1-f)))})
	}
	return out, nil
}
