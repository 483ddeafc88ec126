package simulator

import (
	"math"
	"math/rand/v2"

	"fairbore/analysis"
)

// Rates returns the value rates of gauges, values per second (common practice).
func Rates() []float64 { return []float64{2, 5, 10, 20, 25, 50} }

// Draw draws a visit with a gauge of a given contact and rate, at a size from 8 to 60 mm. The times
// of the phases, the tilts, the noise and the faults come from the ranges that the trade sees
// (common practice). Nobody here has measured how a hand moves in detail: its dwell, skew, sway and
// tremor, and how equal one-sided turns are. Those ranges are assumptions, and a score made with
// them depends on them.
func Draw(contact Contact, visit Visit, rate float64, rng *rand.Rand) Params {
	p := Params{Visit: visit, Size: drawSize(rng)}
	p.Next = p.Size + length(between(rng, -10, 10))
	p.Gauge = drawGauge(contact, p.Size, rate, rng)
	p.Air, p.Insert, p.Withdraw = between(rng, 1, 4), between(rng, 0.2, 0.6), between(rng, 0.2, 0.4)
	p.Drag, p.DragTilt = between(rng, 0.4, 2), between(rng, 1, 4)*degree*float64(pick(rng, -1, 1))
	p.Sway = between(rng, 0.02, 0.15) * degree
	p.Turns = 3 + rng.IntN(4)
	p.Half, p.Swing = between(rng, 0.4, 1.5), between(rng, 1.5, 5)*degree
	p.Off, p.Ragged, p.Uneven = between(rng, -0.3, 0.3), between(rng, 0, 0.15), between(rng, 0, 0.15)
	// from a cosine, over a minimum-jerk swing (0.19), to a swing with a rest at its ends
	p.Dwell, p.DwellScatter, p.Skew = between(rng, 0, 0.3), between(rng, 0, 0.05), between(rng, 0, 0.08)
	p.Tremor = between(rng, 0, 0.03) * degree
	p.Near, p.NearScatter = between(rng, 0.5, 3)*degree, between(rng, 0.05, 0.3)*degree
	if rng.Float64() < 0.4 { // many people end at rest near square, but not at it
		p.Rest, p.RestTilt = between(rng, 0.3, 1.5), between(rng, -1, 1)*degree
	}
	p.Offset = between(rng, 30, 100)
	p.Profile, p.Drift = between(rng, -8, 8), between(rng, -0.002, 0.002)
	p.Shrink = -between(rng, 0.005, 0.5)
	p.Hold, p.From, p.Wobble = between(rng, 2, 8), between(rng, -80, 80), between(rng, 0.1, 0.5)
	p.Stream = Stream{Jitter: 0.08, Delay: between(rng, 0, 0.002), Spikes: 0.002, Spike: 30, Drops: 0.01,
		Repeats: pick(rng, 0, 0, 0.01, 0.03), FaultAt: between(rng, 0.1, 0.9), Lasts: between(rng, 0.3, 1.5)}
	switch visit {
	case Parked:
		p.DragTilt, p.Sway = between(rng, 0.3, 4)*degree, between(rng, 0.01, 0.1)*degree
		p.Rest = 0
	case OffSide:
		p.Off = between(rng, 0.5, 0.9) * float64(pick(rng, -1, 1))
	}
	return p
}

// drawSize draws a size from 8 to 60 mm.
func drawSize(rng *rand.Rand) analysis.Length {
	return 8*analysis.Millimetre + analysis.Length(rng.Int64N(int64(52*analysis.Millimetre)))
}

// displaySteps are the steps that gauges of this kind show. The finer steps come more often.
var displaySteps = [...]struct {
	step   analysis.Length
	unit   analysis.Unit
	places int
}{
	{analysis.Micrometre / 10, analysis.MM, 4}, {analysis.Micrometre / 10, analysis.MM, 4}, {analysis.Micrometre / 10, analysis.MM, 4}, {analysis.Micrometre / 10, analysis.MM, 5},
	{analysis.Micrometre / 5, analysis.MM, 4}, {analysis.Micrometre / 2, analysis.MM, 4}, {analysis.Micrometre, analysis.MM, 3}, {2 * analysis.Micrometre, analysis.MM, 3},
	{5 * analysis.MicroInch, analysis.IN, 6}, {10 * analysis.MicroInch, analysis.IN, 5}, {50 * analysis.MicroInch, analysis.IN, 5}, {100 * analysis.MicroInch, analysis.IN, 4},
}

func drawGauge(contact Contact, size analysis.Length, rate float64, rng *rand.Rand) GaugeModel {
	g := GaugeModel{ID: "drawn", Contact: contact, Tip: tipFor(size), Free: length(between(rng, 250, 1000)), Rate: rate,
		Noise: between(rng, 0.05, 0.3)}
	switch contact {
	case TwoPoint: // nobody rocks a gauge until it meets the stop of its spring
		g.Free = max(g.Free, length(300+g.Excess(size, 8*degree)))
	case ThreePoint:
		g.Settle = between(rng, 0.1, 0.5)
	case Air:
		g.Settle = between(rng, 0.3, 1)
	}
	d := pick(rng, displaySteps[:]...)
	g.Step, g.Unit, g.Places = d.step, d.unit, d.places
	return g
}

// tipFor returns a usual contact radius for a bore: from 1 mm at 8 mm to 3 mm at 40 mm and above
// (common practice).
func tipFor(size analysis.Length) analysis.Length {
	x := min(1, max(0, (size.Micrometres()-8000)/32000))
	return analysis.Length(math.Round((1 + 2*x) * float64(analysis.Millimetre)))
}
