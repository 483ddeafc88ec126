package state

import (
	"math"

	"fairbore/analysis"
	"fairbore/analysis/capture"
	"fairbore/analysis/master"
	"fairbore/analysis/uncertainty"
	"fairbore/daemon/event"
)

// NoteRocking takes in what a rocked value tells about a gauge. What was learned of an earlier
// gauge of this station is forgotten.
func (f *Fold) NoteRocking(gauge string, spread, slope float64) {
	if f.AveragingOf != gauge {
		f.Averaging, f.AveragingOf = analysis.Averaging{}, gauge
	}
	f.Averaging.Add(spread, slope)
}

// Averages returns what the readings of a gauge tell so far, nil if nothing.
func (f *Fold) Averages(gauge string) *analysis.Averaging {
	if f.AveragingOf != gauge || f.Averaging == (analysis.Averaging{}) {
		return nil
	}
	a := f.Averaging
	return &a
}

// PutMotions sets in a mastering how the gauge was moved for it.
func (f *Fold) PutMotions(m *event.Master, g *GaugeSettings) {
	m.Motions, m.Square, m.CaptureU = nil, 0, 0
	moved, square := false, 0.0
	for _, r := range f.RingRocked {
		m.Motions = append(m.Motions, r.Motion)
		moved = moved || r.Motion != 0
		square += float64(r.U) * float64(r.U) / float64(len(f.RingRocked))
	}
	m.CaptureU = analysis.Deviation(math.Ceil(math.Sqrt(square)))
	m.Averaging = f.Averages(g.Name)
	if m.Square = master.Smoothing(g.Smoothing).Square(); !moved {
		m.Motions, m.Square = nil, 0
	}
}

// averaging returns the errors that a gauge's averaging leaves in the sizes of a round and in the
// difference of two of them, given how they and the ring were rocked. There are none if nothing was
// rocked. Where the averaging is not stated, it uses what the readings had told when the zero was
// set, so that a budget does not change with the readings of other parts.
func (f *Fold) averaging(set *Settings, round int) (size, form uncertainty.Averaging) {
	low, high, some := 0.0, 0.0, false
	for _, r := range f.During(round) {
		if !f.Counts(r) {
			continue
		}
		if low, high = min(low, r.Motion), max(high, r.Motion); !some {
			low, high = r.Motion, r.Motion
		}
		some = true
	}
	if high == 0 {
		return size, form
	}
	size = f.smoothed(&set.Gauge)
	form = size
	ring := f.Master.MeanMotion()
	size.Motion, form.Motion = max(math.Abs(high-ring), math.Abs(low-ring)), high-low
	return size, form
}

// smoothed returns what is known of the averaging of a gauge.
func (f *Fold) smoothed(g *GaugeSettings) uncertainty.Averaging {
	if g.Smoothing.Stated {
		q := master.Smoothing(g.Smoothing).Square()
		return uncertainty.Averaging{Square: q, HalfWidth: master.StatedWithin * q, Basis: uncertainty.ByStatement, Source: "averaging_stated"}
	}
	var a analysis.Averaging
	if m := f.Master; m.Averaging != nil && m.Gauge == g.Name {
		a = *m.Averaging
	}
	u, measured := master.UnknownSmoothing(a)
	known := uncertainty.Averaging{U: u, Basis: uncertainty.ByMeasurement, Source: "averaging_learned"}
	if !measured {
		known.Basis, known.Source = uncertainty.ByAssumption, "averaging_assumed"
	}
	if a.Spread == 0 {
		known.U, known.HalfWidth = 0, u*math.Sqrt(3)
	}
	return known
}

// BySpeed returns by how much a ring may seem off because it was rocked at another speed than when
// it set the zero: two standard uncertainties of the effect of the gauge's averaging.
func (f *Fold) BySpeed(g *GaugeSettings) float64 {
	mean := 0.0
	for _, r := range f.RingRocked {
		mean += r.Motion / float64(len(f.RingRocked))
	}
	if mean == 0 {
		return 0
	}
	known := f.smoothed(g)
	return 2 * max(known.U, known.HalfWidth/math.Sqrt(3)) * math.Abs(mean-f.Master.MeanMotion()) * float64(analysis.Micrometre)
}

// unclear is the share of the variance, in per cent, from which on an unknown averaging of the
// gauge is worth a check.
const unclear = 25

// smoothing returns a caution if the readings show another averaging than is stated, or if the
// averaging is not known and makes the uncertainty large.
func (f *Fold) smoothing(set *Settings, b *Bore) (cautions []analysis.Phrase) {
	if set.Capture.Mode != capture.Turning.String() {
		return nil
	}
	if a := f.Averages(set.Gauge.Name); a != nil {
		if s := master.SmoothingDiffers(*a, master.Smoothing(set.Gauge.Smoothing)); !s.IsZero() {
			return []analysis.Phrase{s}
		}
	}
	if b.Budget == nil {
		return nil
	}
	for i := range b.Budget.Components {
		if l := &b.Budget.Components[i]; l.Name == uncertainty.ComponentAveraging && l.Basis == uncertainty.ByAssumption && l.Share >= unclear {
			return []analysis.Phrase{analysis.Say("caution.averaging")}
		}
	}
	return nil
}
