// Package capture turns a stream of live sizes into one reading for each place. It takes the
// reading by the data button, by the settled value or by the turning value. If there is no reading,
// it says why not.
//
// A [Capture] is fed every sample with the time at which the sample came. Now and then it returns a
// [Result]: the gauge went into the bore, a reading was taken, the gauge was moved or left, or a
// visit gave no reading and why. There is at most one [Taken] for each place visited. The memory is
// constant, and no clock is read: the time comes with the sample, and only differences of time
// count.
//
// The modes:
//
//   - [Button]: the gauge sends when a button is pressed; each frame is a reading.
//   - [Settled]: a three-point or air gauge comes to rest; the reading is the
//     mean of a plateau.
//   - [Turning]: a two-point gauge is rocked through square in the axial plane;
//     the reading is the size at which the samples turn.
//
// The size of a reading is what the gauge shows. This package does not correct it to the master or
// for temperature, and it does not judge whether the size is plausible for the job.
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

// ResultKind says what a [Result] reports.
type ResultKind uint8

// The kinds of result.
const (
	Entered ResultKind = iota + 1 // the gauge went into the bore
	Taken                         // a reading was taken: the fields of a reading are set
	Refused                       // the place gave no reading: Reason is set
	Moved                         // the gauge went on to another place without leaving the bore
	Left                          // the gauge left the bore
)

// String returns the kind as one word.
func (k ResultKind) String() string {
	if int(k) < len(resultKinds) {
		return resultKinds[k]
	}
	return "unknown"
}

var resultKinds = [...]string{"none", "entered", "taken", "refused", "moved", "left"}

// Reason says why there is no reading, or what the operator should do to get one. Its value is the
// code of a text.
type Reason string

// The reasons. Each applies both while the gauge is still in the bore and after it has left.
const (
	NotRocked Reason = "capture.not_rocked"    // the gauge never went through square
	OnePass   Reason = "capture.one_pass"      // the gauge went through square only once
	FewPasses Reason = "capture.one_more_pass" // the passes so far do not suffice
	Narrow    Reason = "capture.narrow"        // the swings hardly leave square
	OneSide   Reason = "capture.one_side"      // the gauge seems to turn back at square, without going through
	TooFast   Reason = "capture.fast"          // there are too few samples near square for a fit
	Averaged  Reason = "capture.averaged"      // the correction for averaging is too large to be trusted
	Scattered Reason = "capture.disagree"      // the bore, the gauge or the hand moved between passes
	TooShort  Reason = "capture.soon"          // the visit was shorter than a reading takes
	Falling   Reason = "capture.falling"       // the part is warm, or the gauge is not at rest yet
	Rising    Reason = "capture.rising"
	Unsteady  Reason = "capture.unsteady" // the value is not level, and does not steadily rise or fall
	Stuck     Reason = "capture.stuck"    // the gauge or the stream has stuck
	DrawOut   Reason = "capture.draw_out" // the value is level, but the reading is certain only when the gauge is drawn out
	Outside   Reason = "capture.outside"  // the value lies outside the band about nominal
	Silent    Reason = "capture.silent"   // the stream fell silent during the visit
)

// Result is an event that the samples have shown.
type Result struct {
	Kind   ResultKind
	At     time.Duration // time of the sample that decided it
	Reason Reason        // the reason for Refused

	// The fields of a reading, set for Taken.
	Since  time.Duration      // time of the first sample used: Value is the mean size from Since to Until
	Until  time.Duration      // time of the last sample used; it is earlier than At if the reading had to wait
	Value  analysis.Length    // the size as the gauge shows it
	U      analysis.Deviation // standard uncertainty of Value from the samples: from their scatter and, at rest, from the creep that may be left; 0: not known
	Passes int                // number of passes through square that were used
	// Motion is the mean square speed at square of √(excess over the size), µm/s². It is set for
	// Turning. A gauge that averages over T or lags by τ shows a size too large by Motion·(T²/12 +
	// τ²). The part of this that [Options] state is already subtracted.
	Motion float64
	// MotionSpread is Σ w·(m − m̄)² over the passes, in µm⁻²·(µm/s²)². MotionSlope is Σ w·(m − m̄)·(S −
	// S̄). Here m is the square speed of a pass, S its size, and w = 1/u². Over many readings
	// ΣMotionSlope/ΣMotionSpread estimates by how much T²/12 + τ² exceeds what is stated, in s². Its
	// standard uncertainty is 1/√ΣMotionSpread.
	MotionSpread, MotionSlope float64
	// Surprising says that the size is far from the expected one (see [Capture.Expect]), so that more
	// passes were needed.
	Surprising bool
	// Quality says, from 0 to 1, how well the samples followed the model. It is for a lamp and has
	// no effect: every reading that is taken may be used.
	Quality float64
}

// Progress says for a display how far the visit has come.
type Progress struct {
	In     bool // the gauge is in the bore
	Done   bool // a reading of this place has been taken
	Passes int  // passes at this place that agree so far
	Needed int  // fewest passes for a reading; set for Turning while In
	// Hint says what prevents a reading now. It is empty if nothing does yet.
	Hint Reason
}

// Capture finds readings in a stream of samples. One goroutine uses it.
type Capture interface {
	// Feed takes the next sample. It returns the results, which are mostly none. They are valid
	// until the next call. Samples whose time stands still or runs backwards do no harm: the visit
	// starts again.
	Feed(Sample) []Result
	// Reset forgets the visit in progress, as after a new job or a re-mastering.
	Reset()
	// Progress returns the state of the visit.
	Progress() Progress
	// Expect states the size that is likely at the next place, and its standard uncertainty; 0 and 0 mean
	// that no size is expected. A size that fits is taken sooner, and one that is far off needs more
	// passes.
	Expect(size analysis.Length, u analysis.Deviation)
	// Air returns the value that the gauge shows in free air, stated or learned. It is 0 while it is not
	// known.
	Air() analysis.Length
}
