package state

import (
	"math"
	"slices"
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

// describe notes the gauge as the settings describe it.
func (f *Fold) describe() {
	if f.Settings == nil {
		return
	}
	others := slices.DeleteFunc(slices.Clone(f.gauges), func(g GaugeSettings) bool { return g.Name == f.Settings.Gauge.Name })
	f.gauges = append(others, f.Settings.Gauge)
}

// terms are what a verdict was given by and what may change after it: the settings in force, nil if
// the journal has none, and the temperatures.
type terms struct {
	set  *event.Settings
	warm event.Warmth
}

// Terms returns the settings that the part in hand rests on: those in force at its last verdict, or
// else now. It returns false if the journal has none.
func (f *Fold) Terms() (*Settings, bool) {
	set := f.Settings
	if f.judgedBy != nil {
		set = f.judgedBy.set
	}
	if set == nil {
		return nil, false
	}
	return &Settings{Settings: *set, Station: f.Station}, true
}

// gaugesOf returns the gauges that the readings of a round which count were taken with.
func (f *Fold) gaugesOf(set *Settings, round int) (used []*GaugeSettings) {
	for _, r := range f.During(round) {
		if !f.Counts(r) || slices.ContainsFunc(used, func(g *GaugeSettings) bool { return g.Name == r.Gauge }) {
			continue
		}
		g := &set.Gauge
		if i := slices.IndexFunc(f.gauges, func(g GaugeSettings) bool { return g.Name == r.Gauge }); i >= 0 && r.Gauge != g.Name {
			g = &f.gauges[i]
		}
		used = append(used, g)
	}
	return used
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
	case f.Master.Gauge != set.Gauge.Name:
		return analysis.Say("bore.other_gauge", set.Gauge.Name, f.Master.Gauge)
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
