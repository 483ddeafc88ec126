// Package capture turns a stream of live sizes into one reading per place, by
// the data button, the settled value or the turning value, or says why not.
//
// A [Capture] is fed every sample with the time at which it came and gives
// back, now and then, a [Result]: the gauge went into the bore, a reading was
// taken, the gauge was moved or left, a visit gave no reading and why. There is
// at most one [Taken] for each place visited. Memory is constant and no clock
// is read: the time comes with the sample, and only differences of time count.
//
// The modes:
//
//   - [Button]: the gauge sends when a button is pressed; each frame is a reading.
//   - [Settled]: a three-point or air gauge comes to rest; the reading is the
//     mean of a plateau.
//   - [Turning]: a two-point gauge is rocked through square in the axial plane;
//     the reading is the size at which the samples turn.
//
// What is taken is what the gauge says. Correction to the master, temperature
// and the plausibility of a size for the job are not the business of this package.
package capture

import (
	"time"

	"fairbore/analysis"
)

// Sample is one value of the gauge, converted to a length but not corrected.
type Sample struct {
	At    time.Duration // monotonic, from any origin
	Value analysis.Length
}

// Kind says what a [Result] tells.
type Kind uint8

// The kinds.
const (
	Entered Kind = iota + 1 // the gauge went into the bore
	Taken                   // a reading: Value, U, Turns and Quality hold
	Refused                 // no reading of this place: Reason holds
	Moved                   // the gauge went on to another place without leaving the bore
	Left                    // the gauge left the bore
)

// String returns the kind in a word.
func (k Kind) String() string {
	if int(k) < len(kinds) {
		return kinds[k]
	}
	return "unknown"
}

var kinds = [...]string{"none", "entered", "taken", "refused", "moved", "left"}

// Reason says why there was no reading, in words for the person at the machine.
type Reason string

// The reasons.
const (
	NotRocked Reason = "not rocked"                    // in the bore, but never turned
	OneTurn   Reason = "only one turn"                 // one pass through square
	FewTurns  Reason = "too few turns"                 // one pass more was needed
	OneSide   Reason = "rocked over one side only"     // turned before square, not through it
	Fast      Reason = "rock slower"                   // too few samples at square to fit
	Disagree  Reason = "turns do not agree"            // bore, gauge or hand moved between turns
	Uneven    Reason = "not a clean rock"              // samples do not follow the geometry
	Soon      Reason = "withdrawn too soon"            // left before the value had settled
	Shrinking Reason = "still shrinking"               // the value kept falling: warm part, or not home
	Growing   Reason = "still growing"                 // the value kept rising
	Unsteady  Reason = "not steady"                    // neither level nor going one way
	Stuck     Reason = "the gauge repeats one value"   // a held display or a stuck stream
	Still     Reason = "level: now draw the gauge out" // level, but not beyond doubt while it lasts: taken when it moves again
	Outside   Reason = "not in the bore"               // beyond the band about the nominal size
	Silent    Reason = "no samples in the bore, again" // the stream fell silent during the visit
)

// Result is something that the samples have shown.
type Result struct {
	Kind   Kind
	At     time.Duration // of the sample that settled it
	Reason Reason        // of Refused

	// Of Taken:
	Since time.Duration      // of the first sample that it rests on: it is the mean size from then to Until
	Until time.Duration      // of the last; before At where the reading waited to be sure
	Value analysis.Length    // the size as the gauge says it
	U     analysis.Deviation // its standard uncertainty from the scatter of the samples alone (type A); 0: not known
	Turns int                // passes through square that it rests on
	// Quality is from 0 to 1: how well the samples followed the model. It is for
	// a lamp, not for a decision; whatever is taken may be used.
	Quality float64

	// Motion, of Turning: mean square speed of the excess's root at square, µm/s²: a value that averages over T or lags by τ
	// and is not corrected for it shows the size too large by Motion·(T²/12 + τ²), T and τ in s. [Options.Averages] and Lag are taken off already.
	Motion float64
	// MotionSpread and MotionSlope: sums over the passes of one reading for learning that unknown (T²/12+τ²) over many readings:
	//   MotionSpread = Σ w (m_j − m̄)²  and MotionSlope = Σ w (m_j − m̄)(S_j − S̄), w = 1/u_j² (µm⁻²), m in µm/s², S in µm:
	//   the estimate of (T²/12+τ²) in s² from many readings is Σ MotionSlope / Σ MotionSpread, its standard uncertainty 1/√ΣMotionSpread.
	MotionSpread, MotionSlope float64
	// Surprising: the value lies beyond what was expected by more than its limits allow and was taken on more passes all the
	// same; the session asks before it counts.
	Surprising bool
}

// Progress is how far the visit has come, for a display.
type Progress struct {
	In    bool // the gauge is in the bore
	Done  bool // a reading of this place has been taken
	Turns int  // turns seen so far at this place
	// Hint is what stands in the way of a reading now, empty if nothing does yet.
	Hint Reason
}

// Capture finds readings in a stream of samples. It is used by one goroutine.
type Capture interface {
	// Feed takes the next sample. The results are valid until the next call;
	// mostly there are none. Samples whose time stands still or runs backwards
	// do no harm: a visit with a broken time is begun again.
	Feed(Sample) []Result
	// Reset forgets the visit in progress, as after a new job or a re-mastering.
	Reset()
	// Progress tells how the visit stands.
	Progress() Progress
	// Expect says which size is likely at the place that is gauged next: size and standard uncertainty, 0 and 0 for none. A value far from it needs more passes.
	Expect(size analysis.Length, u analysis.Deviation)
	// Air returns the value in free air, stated or learned; 0: not known yet.
	Air() analysis.Length
}
