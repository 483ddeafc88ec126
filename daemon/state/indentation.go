package state

import (
	"cmp"
	"math"

	"fairbore/analysis"
	"fairbore/analysis/master"
)

// Properties of a gauge's tips where they are not stated (common practice: carbide, pressed with
// 0.5 to 2 N each).
const (
	usualTip   = "carbide"
	usualForce = 1.0 // newton, for each tip
	mostForce  = 2.0
)

// Uncertainty of an indentation. It is proportional to the power 2/3 of the force and of the
// compliance (Hertz). The elastic constants of [material.All] are good to 5 to 15 %; a stated force
// is taken to be right within 10 % (common practice).
const (
	elastic     = 0.1
	statedForce = 0.1
)

// indentation returns by how much a gauge set in the ring reads too large in the part because its
// tips sink in deeper there; it is negative if the ring is softer. left is the ± of what is not
// known of that. Both are 0 if the tips are not known.
func (f *Fold) indentation(g *GaugeSettings) (larger, left analysis.Deviation, err error) {
	if f.Master == nil || g.Tip <= 0 || 2*g.Tip >= f.Job.Target {
		return 0, 0, nil
	}
	force, most := usualForce, mostForce
	if g.Force > 0 {
		force, most = g.Force, g.Force*(1+statedForce)
	}
	at := func(wall string) master.Contact {
		return master.Contact{Tip: g.Tip, Force: force, Diameter: f.Job.Target, Material: usualTip, Wall: cmp.Or(wall, "steel")}
	}
	if larger, err = master.LargerThanRing(at(f.Job.Material), at(f.Master.Ring.Material)); err != nil {
		return 0, 0, err
	}
	off := math.Pow(most/force, 2.0/3) - 1 // the excess over what the least force gives
	return larger, analysis.Deviation(math.Ceil(math.Hypot(off, elastic) * math.Abs(float64(larger)))), nil
}

// ContactCorrection returns the correction of a size for the indentation; 0 unless the settings ask
// for it.
func (f *Fold) ContactCorrection(g *GaugeSettings) analysis.Deviation {
	if !g.CorrectIndentation {
		return 0
	}
	larger, _, err := f.indentation(g)
	if err != nil { // the check of the configuration makes sure of all that it needs
		return 0
	}
	return -larger
}

// contactCorrected reports whether all readings that count in a round were corrected for the
// indentation. Readings taken before the setting was changed stay as they are.
func (f *Fold) contactCorrected(round int) bool {
	n := 0
	for _, r := range f.During(round) {
		if !f.Counts(r) {
			continue
		}
		if r.Indentation == 0 {
			return false
		}
		n++
	}
	return n > 0
}
