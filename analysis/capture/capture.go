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

// Reason says why there is no reading, or what the hand should do for one: the code of a text.
type Reason string

// The reasons. Each holds while the gauge is still there, and after it has left.
const (
	NotRocked Reason = "capture.not_rocked"    // in the bore, but never turned
	OneTurn   Reason = "capture.one_pass"      // through square
	FewTurns  Reason = "capture.one_more_pass" // what there is doesn't suffice yet
	Narrow    Reason = "capture.narrow"        // swings that hardly leave square
	OneSide   Reason = "capture.one_side"      // every pass looks like it
	Fast      Reason = "capture.fast"          // too few samples at square to fit
	Averaged  Reason = "capture.averaged"      // the correction for it is too large to be trusted
	Disagree  Reason = "capture.disagree"      // bore, gauge or hand moved between turns
	Soon      Reason = "capture.soon"          // it hasn't been there for as long as a reading takes
	Shrinking Reason = "capture.falling"       // warm part, or not home
	Growing   Reason = "capture.rising"
	Unsteady  Reason = "capture.unsteady" // neither level nor going one way
	Stuck     Reason = "capture.stuck"    // or the stream stuck
	Still     Reason = "capture.draw_out" // level, but not beyond doubt while it lasts: taken when it moves again
	Outside   Reason = "capture.outside"  // beyond the band about the nominal size
	Silent    Reason = "capture.silent"   // during the visit
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
	U     analysis.Deviation // its standard uncertainty from the samples: their scatter and, at rest, the way that may be left; 0: not known
	Turns int                // passes through square that it rests on
	// Motion, of Turning, is the mean square speed of the root of the excess at square, µm/s²: a value that
	// averages over T, or lags by τ, shows the size too large by Motion·(T²/12 + τ²). What
	// [Options] say of that is taken off already.
	Motion float64
	// MotionSpread and MotionSlope are sums over the passes: of w·(m − m̄)², µm⁻²·(µm/s²)², and of w·(m − m̄)·(S − S̄), with w = 1/u²,
	// m the square speed of a pass and S its size. Over many readings ΣSlope/ΣSpread estimates
	// what T²/12 + τ² is more than stated, s², with the standard uncertainty 1/√ΣSpread.
	MotionSpread, MotionSlope float64
	// Surprising says that the size is far from the one that was expected ([Capture.Expect]); it took more passes.
	Surprising bool
	// Quality is from 0 to 1: how well the samples followed the model. It is for
	// a lamp, not for a decision; whatever is taken may be used.
	Quality float64
}

// Progress is how far the visit has come, for a display.
type Progress struct {
	In    bool // the gauge is in the bore
	Done  bool // a reading of this place has been taken
	Turns int  // passes at this place that agree so far
	Least int  // the fewest that a reading rests on, of Turning while In
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
	// Expect says which size is likely at the place that is gauged next, and its standard
	// uncertainty; 0 and 0 for none. One that fits is taken sooner, one far from it needs more passes.
	Expect(size analysis.Length, u analysis.Deviation)
	// Air returns the value that the gauge shows in free air, stated or learned; 0: not known yet.
	Air() analysis.Length
}
