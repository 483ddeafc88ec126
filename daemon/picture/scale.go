package picture

import (
	"math"

	"fairbore/analysis"
	"fairbore/daemon/state"
)

// steps are the magnifications that a drawing takes, times a power of ten.
var steps = [...]float64{1, 1.5, 2, 3, 5, 7}

// floorStep returns the largest step that is no more than v; 1 if none is.
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

// inner is how much of the room a drawing may fill after it has been magnified
// more: so little that a slightly worse round does not take it back.
const inner = 0.85

// span is a range of sizes.
type span struct{ lo, hi analysis.Length }

func (s span) with(l analysis.Length) span { return span{min(s.lo, l), max(s.hi, l)} }

// spans returns the range of sizes that the drawing of each round of a part has
// to hold, in order: the limits, a margin beyond the high one, and the readings.
// A round in progress keeps the range of the one before, so that the scale stays
// as it is until the round is complete.
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

// magnify returns how many times too large errors are to be drawn, for a room of
// so many pixels on the radius and a depth axis of so many pixels per µm. It
// follows the rounds, and magnifies more only once there is room to spare.
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

// floorFine returns the largest of 1, 2, 5 times a power of ten that is no more
// than v; a power below 1 as well.
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
