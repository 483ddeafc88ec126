package picture

import (
	"math"

	"fairbore/analysis"
	"fairbore/daemon/state"
)

// steps are the magnifications that a drawing may have, times a power of ten.
var steps = [...]float64{1, 1.5, 2, 3, 5, 7}

// floorStep returns the largest step that is not above v; 1 if there is none.
func floorStep(v float64) float64 {
	if !(v > 1) || math.IsInf(v, 1) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(v)))
	best := p
	for _, s := range steps {
		if s*p <= v*(1+1e-9) {
			best = s * p
		}
	}
	return best
}

// inner is the share of the space that a drawing may fill after its magnification was raised. It
// leaves enough room that a slightly worse round does not lower the magnification again.
const inner = 0.85

// span is a range of sizes.
type span struct{ lo, hi analysis.Length }

func (s span) with(l analysis.Length) span { return span{min(s.lo, l), max(s.hi, l)} }

// spans returns, for each round of a part in order, the range of sizes that its drawing must show:
// the limits, a margin above the high one, and the readings. A round in progress keeps the range of
// the round before, so that the scale stays the same until the round is complete.
func spans(b *state.Bore) []span {
	j := b.Job
	tol := j.High - j.Low
	least := span{j.Low - tol/2, j.High + tol/4}
	var all []span
	for i, r := range b.Rounds {
		s := least.with(r.Smallest).with(r.Largest)
		if i > 0 && r.Number == b.Round && !b.Complete {
			s = s.with(all[i-1].lo).with(all[i-1].hi)
		}
		all = append(all, s)
	}
	if all == nil {
		all = []span{least}
	}
	return all
}

// magnify returns by how much to magnify errors, for a space of so many pixels on the radius and a
// depth axis with so many pixels per µm. It goes through the rounds, and raises the magnification
// only if there is room to spare.
func magnify(all []span, room, along float64) float64 {
	m := 0.0
	for _, s := range all {
		most := 2 * room / (s.hi - s.lo).Micrometres() / along
		switch {
		case m == 0 || m > most:
			m = floorStep(most)
		default:
			m = max(m, floorStep(most*inner))
		}
	}
	return m
}

// floorFine returns the largest value of 1, 2 or 5 times a power of ten that is not above v; the
// power may be negative.
func floorFine(v float64) float64 {
	if !(v > 0) || math.IsInf(v, 1) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, s := range []float64{5, 2} {
		if s*p <= v {
			return s * p
		}
	}
	return p
}
