package state

import (
	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
)

// SampleNoise is the standard deviation of single samples: as stated, else as it was measured
// up to the mastering in use, else as is usual.
func (f *Fold) SampleNoise(g *GaugeSettings) analysis.Deviation {
	if m := f.Master; g.Assumed && m != nil && m.Noise != nil && m.Gauge == g.Name {
		return m.Noise.SD
	}
	return g.Repeatability
}

// Repeat is the standard deviation of one captured value.
func (f *Fold) Repeat(g *GaugeSettings) analysis.Deviation {
	sd, _ := f.Repeatability(g)
	return sd
}

// Repeatability is the standard deviation of one captured value, and how it is known: as
// stated, else what is usual, or more where the samples of the ring readings left more
// than that. Less is not believed of them: they do not tell how a gauge that is put in
// again comes back to its place.
func (f *Fold) Repeatability(g *GaugeSettings) (analysis.Deviation, uncertainty.Basis) {
	switch m := f.Master; {
	case !g.Assumed:
		return g.Repeatability, uncertainty.ByStatement
	case m != nil && m.Gauge == g.Name && m.CaptureU > g.Repeatability:
		return m.CaptureU, uncertainty.ByMeasurement
	}
	return g.Repeatability, uncertainty.ByAssumption
}
