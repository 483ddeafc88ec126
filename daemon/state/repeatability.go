package state

import (
	"math"

	"fairbore/analysis"
	"fairbore/analysis/uncertainty"
)

// SampleNoise returns the standard deviation of single samples: the stated one; else the one
// measured up to the mastering in use; else the usual one.
func (f *Fold) SampleNoise(g *GaugeSettings) analysis.Deviation {
	if m := f.Master; g.Assumed && m != nil && m.Noise != nil && m.Gauge == g.Name {
		return m.Noise.SD
	}
	return g.Repeatability
}

// Repeat returns the standard deviation of one captured value.
func (f *Fold) Repeat(g *GaugeSettings) analysis.Deviation {
	sd, _ := f.Repeatability(g)
	return sd
}

// Repeatability returns the standard deviation of one captured value, and how it is known: the
// stated one; else the usual one, or more if the samples of the ring readings showed more. A
// smaller value is not taken from the samples, since they do not tell how well a gauge that is put
// in again comes back to its place.
func (f *Fold) Repeatability(g *GaugeSettings) (analysis.Deviation, uncertainty.Basis) {
	switch m := f.Master; {
	case !g.Assumed:
		return g.Repeatability, uncertainty.ByStatement
	case m != nil && m.Gauge == g.Name && m.CaptureU > assumedU(g):
		return m.CaptureU, uncertainty.ByMeasurement
	}
	return g.Repeatability, uncertainty.ByAssumption
}

// assumedU returns the standard uncertainty of a reading for which nothing but repeatability and step
// of the gauge is known. It is the root mean square of ring readings that tell nothing more, so only
// a larger one is a measurement.
func assumedU(g *GaugeSettings) analysis.Deviation {
	return analysis.Deviation(math.Ceil(math.Hypot(float64(g.Repeatability), float64(g.Step)/math.Sqrt(12))))
}
