package state

import (
	"cmp"
	"math"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/analysis/material"
	"fairbore/daemon/event"
)

// Correction is the one in use.
func (f *Fold) Correction() *master.Correction {
	if f.Master == nil {
		return nil
	}
	c := &master.Correction{Zero: analysis.Length(f.Master.Zero)}
	if g := f.Master.Gain; g.Used() {
		c.Anchor, c.Certified, c.Shown = g.Anchor, g.Certified, g.Shown
	}
	return c
}

// InDoubt is what a look at a ring that failed now puts in doubt.
func (f *Fold) InDoubt() *event.InDoubt {
	return &event.InDoubt{Since: f.GoodAt, Readings: f.Since, Parts: f.Ended}
}

// AdjustRing is what a ring is corrected by as a part is: the temperatures, if its own
// was measured at the mastering and since.
func (f *Fold) AdjustRing() (a master.Adjust) {
	m, err := material.Find(cmp.Or(f.Master.Ring.Material, "steel"))
	if err != nil || f.RingThen == nil || f.Warm.Ring == nil {
		return a
	}
	a.Thermal = &master.Thermal{Ring: f.Master.Ring.Size, RingAlpha: m.Alpha, PartAlpha: m.Alpha, RingAt: *f.RingThen, PartAt: *f.Warm.Ring}
	return a
}

// Mastering is the one in use, as it was accepted.
func (f *Fold) Mastering() master.Mastering {
	m := master.Mastering{RingSet: analysis.RingSet{Ring: f.Master.Ring, Raw: f.Master.Raw, At: f.MasterAt}, Correction: *f.Correction(), Accepted: true}
	m.Scatter, _ = master.ScatterOf(f.Master.Raw) // it was accepted, so it has readings
	return m
}

// KeptGain is the gain that goes on over a new mastering on one ring: it is the
// gauge's, and belongs to the tips that are in it. A knock or new tips end it. The
// zero is then exact at the ring that was read now, where the gauge showed anchor.
func (f *Fold) KeptGain(gauge string, anchor analysis.Length) *event.Gain {
	if g := f.Master.Gain; !g.Used() || !f.Knocked.IsZero() || f.Master.Gauge != gauge {
		return nil
	}
	kept := *f.Master.Gain
	kept.Anchor = anchor
	return &kept
}

// gainDoubt is what a gain leaves in doubt: its standard uncertainty, and how far from
// the ring that set the zero a size is judged, which is at the limit that is further
// off. A gain that was found and not used is taken for 1, so what it differed by is
// not corrected and counts too (JCGM 100:2008, F.2.4.5, as one standard uncertainty).
// 0 without a second ring: nothing is known of the gain then, and a ring near the size
// keeps it out.
func (f *Fold) gainDoubt() (u float64, away analysis.Length) {
	g := f.Master.Gain
	if g == nil {
		return 0, 0
	}
	ring := f.Master.Ring.Size
	away = max((f.Job.Low - ring).Abs(), (f.Job.High - ring).Abs())
	if g.Used() {
		return g.U / 2, away
	}
	return math.Hypot(g.U/2, g.Ratio-1), away
}
