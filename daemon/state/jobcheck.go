package state

import (
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"fairbore/analysis"
	"fairbore/analysis/material"
	"fairbore/daemon/event"
)

// Bounds of a job entered at the machine: as much as anybody gauges by hand, and little enough to
// be evaluated and drawn after each reading.
const (
	jobTitle  = 120 // characters of its title
	jobPlaces = 240 // places to gauge
	jobGaps   = 40  // interruptions of the wall
)

// bounds returns what is too large in a job entered at the machine.
func bounds(j *analysis.Job) (faults []error) {
	for _, w := range []struct {
		what, text string
		most       int
	}{{"id", j.ID, event.MostName}, {"title", j.Title, jobTitle}, {"revision", j.Revision, event.MostName}, {"material", j.Material, event.MostName}, {"face", j.Face, event.MostName}, {"ring", j.Ring, event.MostName}} {
		if utf8.RuneCountInString(w.text) > w.most || strings.ContainsFunc(w.text, analysis.Invisible) {
			faults = append(faults, analysis.Say("job."+w.what+"_line", w.most))
		}
	}
	if len(j.Sections) > jobPlaces || len(j.Orientations) > jobPlaces || len(j.Sections)*len(j.Orientations) > jobPlaces {
		faults = append(faults, analysis.Say("job.sections_many", len(j.Sections), len(j.Orientations), jobPlaces))
	}
	if len(j.Interrupts) > jobGaps {
		faults = append(faults, analysis.Say("job.interrupts_many", jobGaps))
	}
	for _, in := range j.Interrupts {
		if utf8.RuneCountInString(in.What) > event.MostName || strings.ContainsFunc(in.What, analysis.Invisible) {
			faults = append(faults, analysis.Say("job.interrupts_name", event.MostName))
		}
	}
	return faults
}

// CheckJob returns everything that is wrong with a job entered at the machine: what
// [analysis.Job.Check] finds, an unknown material or ring, an id that a job of the configuration
// has, and what is too large.
func (set *Settings) CheckJob(j *analysis.Job) []error {
	if faults := bounds(j); len(faults) > 0 {
		return faults
	}
	faults := j.Check()
	if _, err := material.Find(j.Material); err != nil {
		faults = append(faults, analysis.Say("job.material_unknown", j.Material, strings.Join(material.Names(), ", ")))
	}
	if _, ok := set.Rings[j.Ring]; j.Ring != "" && !ok {
		faults = append(faults, analysis.Say("job.ring_unknown", j.Ring, strings.Join(slices.Sorted(maps.Keys(set.Rings)), ", ")))
	}
	if _, ok := set.Jobs[j.ID]; ok {
		faults = append(faults, analysis.Say("job.id_taken", j.ID))
	}
	if j.SignOff && len(set.People) == 0 {
		faults = append(faults, analysis.Say("job.sign_off_nobody"))
	}
	return faults
}
