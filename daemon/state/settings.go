package state

import (
	"math"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/analysis/uncertainty"
	"fairbore/analysis/verdict"
)

// Settings are what a station knows from its configuration.
type Settings struct {
	Station string
	Gauge   GaugeSettings
	// Beside are the other instruments of the station, by name: a depth scale, a
	// temperature sensor. What they show is joined to the gauge's values by time.
	Beside  map[string]GaugeSettings
	Capture CaptureSettings
	Master  MasterSettings
	Doubt   Doubt
	// Bases says how what is stated or assumed in the configuration is known, by the names
	// of the budget's lines; what is not named was stated.
	Bases map[string]uncertainty.Basis
	Rule  verdict.Rule // at the limits; empty: simple acceptance
	Jobs  map[string]*analysis.Job
	Rings map[string]*analysis.Ring
	// DepthReach is how far a depth from the gauge's depth channel may lie from
	// a planned section to count as that section.
	DepthReach analysis.Length
}

// GaugeSettings describe the instrument of a station.
type GaugeSettings struct {
	Name string
	// Unit is that of a frame which states none.
	Unit analysis.Unit
	// Deviation says that the gauge shows the deviation from its ring rather
	// than the size.
	Deviation bool
	// Roles names what each channel of the gauge is; a channel that is not
	// named is the size if it is the empty one, else it is ignored.
	Roles map[string]Role
	// Repeatability is the standard deviation of one captured value on a ring.
	Repeatability analysis.Deviation
	// Due is the day that the gauge's own calibration is due, 0 if not stated, and
	// Certified its certificate.
	Due       time.Time
	Certified string
	// Assumed says that Repeatability is not stated: it is what is usual.
	Assumed bool
	// Smoothing is over what time the gauge averages and by what it lags.
	Smoothing master.Smoothing
	// FreeAir is what the gauge shows in free air above the ring that it is set to; 0: it
	// is learned.
	FreeAir analysis.Length
	// Step is the gauge's resolution.
	Step analysis.Deviation
	// Tip is the radius of the measuring tips of a two-point gauge, 0 if not known.
	Tip analysis.Length
	// Force is that of one tip in newton, 0 if not known.
	Force float64
	// CorrectIndentation says that a size is corrected for how much deeper the tips
	// sink into the part than into the ring; what is left is a line of the budget.
	CorrectIndentation bool
	// ThreePoint says that the gauge has three self-centring contacts.
	ThreePoint bool
}

// Role is what a channel of a gauge is.
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

// CaptureSettings say how samples become readings.
type CaptureSettings struct {
	Mode   string        // button, settled or turning
	Bounce time.Duration // a repeated frame within it is one reading
	Settle time.Duration // how long a gauge that comes to rest must be level; 0: as the capture has it
	// Twice: two values in free air within it strike the last reading out; 0: off.
	Twice time.Duration
	// Rest: the gauge held in free air for so long after a complete plan begins
	// the next round; 0: off.
	Rest time.Duration
}

// MasterSettings say what a good mastering is and how long it holds.
type MasterSettings struct {
	Readings int                // of the ring
	Spread   analysis.Deviation // the most they may differ
	Lapse    master.Lapse       // how long a zero holds
}

// Doubt is what is known of the uncertainty of a size besides ring and
// repeatability; what is 0 is left out of the budget.
type Doubt struct {
	Drift      analysis.Deviation   // ± of the zero since the last look at the ring
	Contact    analysis.Deviation   // contact, form of the ring, centring; standard uncertainty
	PartWithin analysis.Temperature // ± of part minus ring, when neither is measured
	RingFrom20 analysis.Temperature // how far the ring usually is from 20 °C
	RingWithin analysis.Temperature // ± of that
}

// clockMoved is how far the wall clock may have been set, in seconds, for the age
// of a mastering still to be known well enough.
const clockMoved = 60

// anew is by how much another statement of the averaging moves a zero before it is to be
// set anew.
const anew = analysis.Micrometre / 100

// Lapsed says why the zero of f does not hold at a moment, nothing if it does.
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

// RoleOf returns what a channel of the gauge is.
func (g *GaugeSettings) RoleOf(channel string) Role {
	if r, ok := g.Roles[channel]; ok {
		return r
	}
	if channel == "" {
		return SizeChannel
	}
	return Ignored
}
