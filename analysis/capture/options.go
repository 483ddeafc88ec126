package capture

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/capture/settle"
)

// Mode is how a reading is found in the samples.
type Mode uint8

// The modes. The zero value is Button.
const (
	Button Mode = iota
	Settled
	Turning
)

var modes = [...]string{"button", "settled", "turning"}

// String returns the mode's name in the configuration.
func (m Mode) String() string {
	if int(m) < len(modes) {
		return modes[m]
	}
	return "unknown"
}

// ParseMode reads a mode's name.
func ParseMode(s string) (Mode, error) {
	if i := slices.Index(modes[:], s); i >= 0 {
		return Mode(i), nil
	}
	return 0, fmt.Errorf("capture %q is not valid: give button, settled or turning", s)
}

// Options describe the bore and the gauge. A zero field takes the default that its comment states.
// Nominal has no default.
type Options struct {
	Mode Mode

	// Nominal is what the gauge shows for a bore of nominal size.
	Nominal analysis.Length
	// Band is how far a sample may lie from Nominal and still be of the bore. Beyond it the gauge is in
	// free air, or at another master. For Turning, a sample may lie above the band by what a tilt of 7°
	// adds. Default 200 µm.
	Band analysis.Deviation
	// Repeatability is the standard deviation of single samples of a gauge that is held still. Default
	// 0.15 µm. The observed scatter replaces it where that is larger.
	Repeatability analysis.Deviation
	// Resolution is the step of the gauge's display. Default 0.1 µm.
	Resolution analysis.Deviation

	// Bounce, for Button, is the time within which an equal value is the same press. Default 300 ms.
	Bounce time.Duration

	// Settle, for Settled, is how long the value must be level. It ought to be at least 1.5 times
	// the gauge's time constant. Default 600 ms; an air gauge wants 1.5 s. At most [MaxSettle].
	Settle time.Duration
	// Slope, for Settled, is the fastest that a level value may move in a second. A value that
	// moves faster is not taken if the noise and the display let the motion show. Otherwise U
	// covers the motion. Default 0.2 µm.
	Slope analysis.Deviation
	// Range, for Settled, is the largest difference of two samples of a level. Default 0.5 µm for the
	// hand, plus five times Repeatability and one step. Where the samples scatter more than Repeatability,
	// five times the excess is added.
	Range analysis.Deviation
	// Rearm is how far the value must go from a reading, and stay, before the same visit can give another
	// one. Default 30 µm for Settled, and 1 µm for Turning, where a return to the same size means that the
	// hand is still rocking there.
	Rearm analysis.Deviation

	// Tip, for Turning, is the radius of the gauge's contacts. Default 2 mm, or a quarter of Nominal if
	// that is less.
	Tip analysis.Length
	// Turns, for Turning, is the fewest passes through square that a reading needs: 3 to 8. Default 3.
	Turns int
	// Averages, for Turning, is the time over which the gauge averages its samples for one value (a moving
	// mean). Lag is the time constant of its first-order filter. 0: none.
	Averages, Lag time.Duration
	// Air is the value that the gauge shows in free air, on the scale of Nominal. 0: it is learned
	// from the values at which the gauge rests out of the bore.
	Air analysis.Length
	// AirLearned says that another capture learned Air, so that a higher value may still replace it.
	AirLearned bool
}

const micrometre = analysis.Deviation(analysis.Micrometre)

// New returns a capture. It fails if the options are not valid.
func New(o Options) (Capture, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	o.fill()
	switch o.Mode {
	case Button:
		return &button{gate: newGate(o)}, nil
	case Settled:
		return newSettled(o), nil
	case Turning:
		return newTurning(o), nil
	}
	return nil, fmt.Errorf("mode: %q is not one of button, settled, turning", o.Mode)
}

func (o *Options) check() error {
	if o.Nominal <= 0 || o.Nominal > 1000*analysis.Millimetre {
		return fmt.Errorf("nominal %s is not valid: give a diameter above 0 and up to 1000 mm", o.Nominal)
	}
	for _, f := range []struct {
		name string
		v    int64
	}{
		{"band", int64(o.Band)}, {"repeatability", int64(o.Repeatability)}, {"resolution", int64(o.Resolution)},
		{"bounce", int64(o.Bounce)}, {"settle", int64(o.Settle)}, {"slope", int64(o.Slope)}, {"range", int64(o.Range)},
		{"rearm", int64(o.Rearm)}, {"tip", int64(o.Tip)}, {"turns", int64(o.Turns)}, {"averages", int64(o.Averages)}, {"lag", int64(o.Lag)}, {"air", int64(o.Air)},
	} {
		if f.v < 0 {
			return fmt.Errorf("%s: can't be negative", f.name)
		}
	}
	if analysis.Length(o.Band) >= o.Nominal {
		return fmt.Errorf("band: must be less than the nominal size %s", o.Nominal)
	}
	if 2*o.Tip >= o.Nominal {
		return fmt.Errorf("tip: two contacts of radius %s do not go into a bore of %s", o.Tip, o.Nominal)
	}
	if o.Turns != 0 && (o.Turns < minPasses || o.Turns > maxPasses) {
		return fmt.Errorf("turns: give %d to %d", minPasses, maxPasses)
	}
	if o.Settle > MaxSettle {
		return fmt.Errorf("settle: give up to %s", MaxSettle)
	}
	return nil
}

// The range of Options.Turns.
const minPasses, maxPasses = 3, 8

// MaxSettle is the largest Options.Settle.
const MaxSettle = settle.Longest * time.Second

// fill sets the defaults.
func (o *Options) fill() {
	o.Band = cmp.Or(o.Band, 200*micrometre)
	o.Repeatability = cmp.Or(o.Repeatability, 15*micrometre/100)
	o.Resolution = cmp.Or(o.Resolution, micrometre/10)
	o.Bounce = cmp.Or(o.Bounce, 300*time.Millisecond)
	o.Settle = cmp.Or(o.Settle, 600*time.Millisecond)
	o.Slope = cmp.Or(o.Slope, micrometre/5)
	o.Range = cmp.Or(o.Range, micrometre/2+5*o.Repeatability+o.Resolution)
	if o.Mode == Turning {
		o.Rearm = cmp.Or(o.Rearm, micrometre)
	}
	o.Rearm = cmp.Or(o.Rearm, 30*micrometre)
	o.Tip = cmp.Or(o.Tip, min(2*analysis.Millimetre, o.Nominal/4))
	o.Turns = cmp.Or(o.Turns, minPasses)
}

// noise is the standard deviation of a sample, µm: the gauge's scatter, and the rounding of its
// display (a uniform error over one step has the standard deviation step/√12).
func (o *Options) noise() float64 {
	return math.Hypot(analysis.Length(o.Repeatability).Micrometres(), o.step()/math.Sqrt(12))
}

// step is the display's step, µm.
func (o *Options) step() float64 { return analysis.Length(o.Resolution).Micrometres() }

// deviation converts µm to a Deviation. A value that does not fit becomes 0, which means "not
// known".
func deviation(um float64) analysis.Deviation {
	l, _ := analysis.FromMicrometres(um)
	return analysis.Deviation(l)
}
