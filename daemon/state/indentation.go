package state

import (
	"cmp"
	"math"

	"fairbore/analysis"
	"fairbore/analysis/master"
)

// What the tips of a gauge are like where it is not stated (common practice: carbide,
// pressed with 0.5 to 2 N each).
const (
	usualTip   = "carbide"
	usualForce = 1.0 // newton, of one tip
	mostForce  = 2.0
)

// How well an indentation is known: it goes with the power 2/3 of the force and of the
// compliance (Hertz). The elastic constants of [material.All] are good to some 5 to
// 15 %; a force that is stated is taken for right within 10 % (common practice).
const (
	elastic     = 0.1
	statedForce = 0.1
)

// indentation is by how much a gauge set in the ring reads large in the part, since its
// tips sink in deeper there (less than 0: the ring is the softer one), and left, ± what
// is not known of that. 0 where the tips are not known.
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
	off := math.Pow(most/force, 2.0/3) - 1 // more than what the least force takes away
	return larger, analysis.Deviation(math.Ceil(math.Hypot(off, elastic) * math.Abs(float64(larger)))), nil
}

// ContactCorrection is what a size is corrected by for the indentation; 0 unless that is wanted.
func (f *Fold) ContactCorrection(g *GaugeSettings) analysis.Deviation {
	if !g.CorrectIndentation {
		return 0
	}
	larger, _, err := f.indentation(g)
	if err != nil { // the configuration check asks for all that it needs
		return 0
	}
	return -larger
}

// contactCorrected reports whether all readings that count in a round were corrected for
// the indentation: what was taken before the setting was changed stays as it is.
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
