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

// Mode is the way in which a gauge shows a size.
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
	return 0, fmt.Errorf("capture %q: want button, settled or turning", s)
}

// Options say what is gauged and with what. A zero field has the default that
// is given with it; Nominal has none.
type Options struct {
	Mode Mode

	// Nominal is the size that the gauge shows for a bore to nominal.
	Nominal analysis.Length
	// Band is how far from Nominal a sample may lie and be of the bore at all;
	// beyond it the gauge is in free air, or at another master. Of Turning,
	// a sample may lie above it by what a tilt of 7° adds. Default 200 µm.
	Band analysis.Deviation
	// Repeatability is the standard deviation of single samples of a gauge that
	// is held still. Default 0.15 µm. The scatter seen replaces it where it is larger.
	Repeatability analysis.Deviation
	// Resolution is the step of the gauge's display. Default 0.1 µm.
	Resolution analysis.Deviation

	// Bounce, of Button: the same value again within it is the same reading.
	// Default 300 ms.
	Bounce time.Duration

	// Settle, of Settled: how long the value must be level; at least half as long again as
	// the gauge's time constant. Default 600 ms; an air gauge wants 1.5 s. Up to [MostSettle].
	Settle time.Duration
	// Slope, of Settled: the most that a level value moves in a second. What moves faster is
	// not taken, where noise and display show it; else U covers it. Default 0.2 µm.
	Slope analysis.Deviation
	// Range, of Settled: the most between its largest and smallest sample.
	// Default 0.5 µm for the hand, five times Repeatability and a step; more by
	// five times what the samples scatter more than that.
	Range analysis.Deviation
	// Rearm is how far the value must go from a reading, and stay, before there
	// can be another one without leaving the bore. Default 30 µm for Settled,
	// 1 µm for Turning, where coming back to the size counts as rocking on.
	Rearm analysis.Deviation

	// Tip, of Turning: the radius of the gauge's contacts. Default 2 mm, or a
	// quarter of Nominal if that is less.
	Tip analysis.Length
	// Turns, of Turning: the fewest passes through square. Default 3; 3 to 8.
	Turns int
	// Averages, of Turning, is the time over which the gauge averages its samples for one value (a moving
	// mean); Lag is the time constant of a first-order filter. 0: none.
	Averages, Lag time.Duration
	// Air is the value that the gauge shows in free air, on the scale of Nominal. 0: it is
	// learned from where the value rests when the gauge is out.
	Air analysis.Length
	// AirLearned says that Air is what another capture has learned, so that it may prove higher still.
	AirLearned bool
}

const micrometre = analysis.Deviation(analysis.Micrometre)

// New returns a capture, or says what is wrong with the options.
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
		return fmt.Errorf("nominal %s: want a diameter above 0 and up to 1000 mm", o.Nominal)
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
	if o.Turns != 0 && (o.Turns < fewestTurns || o.Turns > mostTurns) {
		return fmt.Errorf("turns: want %d to %d", fewestTurns, mostTurns)
	}
	if o.Settle > MostSettle {
		return fmt.Errorf("settle: want up to %s", MostSettle)
	}
	return nil
}

// How many passes through square a reading may be asked to rest on.
const fewestTurns, mostTurns = 3, 8

// MostSettle is the most that Settle may be.
const MostSettle = settle.Longest * time.Second

// fill puts the defaults in.
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
	o.Turns = cmp.Or(o.Turns, fewestTurns)
}

// noise is the standard deviation of a sample, µm: what the gauge scatters and
// what its display rounds (a uniform error of one step: step/√12).
func (o *Options) noise() float64 {
	return math.Hypot(analysis.Length(o.Repeatability).Micrometres(), o.step()/math.Sqrt(12))
}

// step is that of the display, µm.
func (o *Options) step() float64 { return analysis.Length(o.Resolution).Micrometres() }

// deviation converts µm to a Deviation; what does not fit is 0, "not known".
func deviation(um float64) analysis.Deviation {
	l, _ := analysis.FromMicrometres(um)
	return analysis.Deviation(l)
}
