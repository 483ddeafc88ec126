package state

import (
	"cmp"
	"math"

	"fairbore/analysis"
	"fairbore/analysis/master"
	"fairbore/analysis/material"
	"fairbore/daemon/event"
)

// Correction returns the correction in use.
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

// InDoubt returns what a check that fails now would put in doubt.
func (f *Fold) InDoubt() *event.InDoubt {
	return &event.InDoubt{Since: f.GoodAt, Readings: f.ReadingsSince, Parts: f.PartsSince}
}

// AdjustRing returns how a ring is corrected when it is read as a part: by the temperatures, if its
// own was measured at the mastering and since.
func (f *Fold) AdjustRing() (a master.Adjust) {
	m, err := material.Find(cmp.Or(f.Master.Ring.Material, "steel"))
	if err != nil || f.RingAtZero == nil || f.Warm.Ring == nil {
		return a
	}
	a.Thermal = &master.Thermal{Ring: f.Master.Ring.Size, RingAlpha: m.Alpha, PartAlpha: m.Alpha, RingAt: *f.RingAtZero, PartAt: *f.Warm.Ring}
	return a
}

// Mastering returns the mastering in use, as it was accepted.
func (f *Fold) Mastering() master.Mastering {
	m := master.Mastering{RingSet: analysis.RingSet{Ring: f.Master.Ring, Raw: f.Master.Raw, At: f.MasterAt}, Correction: *f.Correction(), Accepted: true}
	m.Scatter, _ = master.ScatterOf(f.Master.Raw) // an accepted mastering has readings
	return m
}

// KeptGain returns the gain that stays in force after a new mastering on one ring. The gain belongs
// to the gauge and the tips in it, so that a knock or new tips end it. The zero is then exact at
// the ring that was read now, where the gauge showed anchor.
func (f *Fold) KeptGain(gauge string, anchor analysis.Length) *event.Gain {
	if g := f.Master.Gain; !g.Used() || !f.Knocked.IsZero() || f.Master.Gauge != gauge {
		return nil
	}
	kept := *f.Master.Gain
	kept.Anchor = anchor
	return &kept
}

// gainDoubt returns the uncertainty that a gain leaves: its standard uncertainty, and the distance
// from the ring that set the zero at which a size is judged, which is that of the further limit. A
// gain that was found and not used is taken to be 1, so its difference from 1 is not corrected and
// counts too (JCGM 100:2008, F.2.4.5, as one standard uncertainty). Both are 0 without a second
// ring: nothing is known of the gain then, and a ring near the size makes it unimportant.
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
