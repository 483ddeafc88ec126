package state

import (
	"math"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
)

// Settings is what a station knows from its configuration.
type Settings struct {
	Station string
	Gauge   GaugeSettings
	// Beside are the other instruments of the station by name, such as a depth scale or a
	// temperature sensor. Their values are joined to the gauge's by time.
	Beside  map[string]GaugeSettings
	Capture CaptureSettings
	Master  MasterSettings
	Doubt   Doubt
	// Bases says, for the lines of the budget by name, whether the input is stated, measured or
	// assumed. A line that is not named was stated.
	Bases map[string]uncertainty.Basis
	Rule  verdict.Rule // decision rule at the limits; empty: simple acceptance
	Jobs  map[string]*analysis.Job
	Rings map[string]*analysis.Ring
	// DepthReach is how far from a planned section a depth may be to count as that section.
	DepthReach analysis.Length
}

// GaugeSettings describes an instrument of a station.
type GaugeSettings struct {
	Name string
	// Unit is the unit of a frame that does not state one.
	Unit analysis.Unit
	// Deviation says that the gauge shows the deviation from its ring rather
	// than the size.
	Deviation bool
	// Roles says what each channel of the gauge is. A channel that is not named is the size if its
	// name is empty, and is ignored otherwise.
	Roles map[string]Role
	// Repeatability is the standard deviation of one captured value on a ring.
	Repeatability analysis.Deviation
	// Due is the day when the calibration of the gauge is due, zero if not stated, and Certified
	// its certificate.
	Due       time.Time
	Certified string
	// Assumed says that Repeatability is not stated and has the usual value.
	Assumed bool
	// Smoothing says over what time the gauge averages and by what time it lags.
	Smoothing master.Smoothing
	// FreeAir is how much more the gauge shows in free air than in the ring that it is set to; 0:
	// it is learned.
	FreeAir analysis.Length
	// Step is the gauge's resolution.
	Step analysis.Deviation
	// Tip is the radius of the measuring tips of a two-point gauge, 0 if not known.
	Tip analysis.Length
	// Force is the force of one tip in newton, 0 if not known.
	Force float64
	// CorrectIndentation says that sizes are corrected for the tips sinking deeper into the part
	// than into the ring. The remaining uncertainty is a line of the budget.
	CorrectIndentation bool
	// ThreePoint says that the gauge has three self-centring contacts.
	ThreePoint bool
}

// Role says what a channel of a gauge measures.
type Role string

// The roles.
const (
	SizeChannel  Role = "size"
	DepthChannel Role = "depth"
	PartTemp     Role = "part temperature"
	RingTemp     Role = "ring temperature"
	AngleChannel Role = "angle"
	Ignored      Role = "ignored"
)

// CaptureSettings says how samples become readings.
type CaptureSettings struct {
	Mode   string        // button, settled or turning
	Bounce time.Duration // repeated frames within this time are one reading
	Settle time.Duration // how long a gauge at rest must stay level; 0: the default of the capture
	// Twice is the time within which two values in free air void the last reading; 0: off.
	Twice time.Duration
	// Rest is how long the gauge must be held in free air after a complete plan to begin the next
	// round; 0: off.
	Rest time.Duration
	// MaxRate is how many readings of the gauge are recorded in a second on the long run, and a
	// minute's worth of them at once; 0: any number. Refusals and the like get a twentieth.
	MaxRate int
}

// MasterSettings says what a good mastering is and how long it holds.
type MasterSettings struct {
	Readings int                // readings of the ring
	Spread   analysis.Deviation // the largest difference between them that is allowed
	Lapse    master.Lapse       // how long a zero holds
}

// Doubt is what is known of the uncertainty of a size besides ring and repeatability. A value of 0
// leaves its line out of the budget.
type Doubt struct {
	Drift      analysis.Deviation   // ± of the zero since the last check of the ring
	Contact    analysis.Deviation   // contact, form of the ring, centring; standard uncertainty
	PartWithin analysis.Temperature // ± of part minus ring, when neither is measured
	RingFrom20 analysis.Temperature // how far the ring usually is from 20 °C
	RingWithin analysis.Temperature // ± of RingFrom20
}

// clockMoved is by how many seconds the wall clock may have been set before the age of a mastering
// is no longer known well enough.
const clockMoved = 60

// anew is by how much another statement of the averaging must move a zero before it has to be set
// again.
const anew = analysis.Micrometre / 100

// Lapsed says why the zero of a fold does not hold at a moment, zero if it does.
func (set *Settings) Lapsed(f *Fold, now time.Time) analysis.Phrase {
	m := &set.Master
	switch {
	case f.Master == nil:
		return analysis.Say("bore.read_the_ring")
	case f.Job != nil && f.Job.Ring != f.Master.Ring.ID:
		return analysis.Say("bore.other_ring", f.Job.Ring, f.Master.Ring.ID)
	case f.Moved > clockMoved:
		return analysis.Say("bore.clock_set")
	case math.Abs(f.Master.MeanMotion()*(set.Gauge.Smoothing.Square()-f.Master.Square)) > anew.Micrometres():
		return analysis.Say("bore.averages_changed")
	}
	for _, r := range m.Lapse.Reasons(f.Standing(), now) {
		if r.Stops {
			return r.Phrase
		}
	}
	return analysis.Phrase{}
}

// RoleOf returns what a channel of the gauge measures.
func (g *GaugeSettings) RoleOf(channel string) Role {
	if r, ok := g.Roles[channel]; ok {
		return r
	}
	if channel == "" {
		return SizeChannel
	}
	return Ignored
}
