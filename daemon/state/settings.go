package state

import (
	"math"
	"time"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/daemon/event"
	"fairbore/daemon/people"
)

// Settings is what a station knows from its configuration: what its numbers rest on, and the jobs
// and rings that can be chosen.
type Settings struct {
	event.Settings
	Station string
	// Simulated says that the instruments are played or are recordings, see [event.Event.Simulated].
	Simulated bool
	Jobs      map[string]*analysis.Job
	Rings     map[string]*analysis.Ring
	// People are those who may work at the station, by id; none: nobody is asked for. Shift is how
	// long somebody works there without being asked again.
	People people.Staff
	Shift  time.Duration
}

// The parts of the settings.
type (
	GaugeSettings   = event.GaugeSettings
	CaptureSettings = event.CaptureSettings
	MasterSettings  = event.MasterSettings
	Doubt           = event.Doubt
)

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
	case math.Abs(f.Master.MeanMotion()*(master.Smoothing(set.Gauge.Smoothing).Square()-f.Master.Square)) > anew.Micrometres():
		return analysis.Say("bore.averages_changed")
	}
	for _, r := range master.Lapse(m.Lapse).Reasons(f.Standing(), now) {
		if r.Stops {
			return r.Phrase
		}
	}
	return analysis.Phrase{}
}
