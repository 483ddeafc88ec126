package master

import (
	"math"

	"fairbore/analysis"
)

// Gain is a gain correction from masterings in two rings.
type Gain struct {
	Correction `json:"correction"`
	// Ratio is the certified distance of the rings divided by the shown one. U is its expanded uncertainty
	// (k = 2), from both rings and the repeatability.
	Ratio float64 `json:"gain"`
	U     float64 `json:"gain_u"`
	// Differs says that the gain is shown to differ from 1. If not, 1 is used, because a correction
	// smaller than its own uncertainty adds noise.
	Differs  bool            `json:"differs"`
	Accepted bool            `json:"accepted"`
	Sentence analysis.Phrase `json:"sentence"`
}

// Limits of a gain (common practice). A ratio further from 1 than MaxGain is not the gain of a sound
// gauge. A ratio with an uncertainty above MaxGainU can't set the gain.
const (
	MaxGain  = 0.05
	MaxGainU = 0.05
)

// SetGain works out zero and gain from masterings in two rings. The zero is exact at the first ring. s
// is the known repeatability of the gauge, used where it is larger than that of the masterings. A
// check with [CheckZero] of a third ring of a size between them proves the result.
func SetGain(first, second Mastering, s analysis.Deviation) Gain {
	g := Gain{Correction: Correction{Zero: first.Zero}, Ratio: 1}
	if !first.Accepted || !second.Accepted {
		g.Sentence = analysis.Say("master.gain.both")
		return g
	}
	certified, shown := second.Ring.Size-first.Ring.Size, second.Mean-first.Mean
	if certified == 0 || shown == 0 || (certified < 0) != (shown < 0) {
		g.Sentence = analysis.Say("master.gain.direction")
		return g
	}
	// Standard uncertainties: those of the rings are half of their U.
	scatter := float64(max(s, first.Repeat, second.Repeat))
	u := math.Hypot(math.Hypot(float64(first.Ring.U), float64(second.Ring.U))/2, scatter*math.Sqrt(1/float64(first.N)+1/float64(second.N)))
	ratio := float64(certified) / float64(shown)
	expanded := 2 * u / math.Abs(float64(certified))
	switch {
	case expanded > MaxGainU:
		g.Sentence = analysis.Say("master.gain.close", analysis.Number{Value: 100 * min(expanded, 10), Places: 1})
		return g
	case math.Abs(ratio-1) > MaxGain:
		g.Sentence = analysis.Say("master.gain.unsound", analysis.Number{Value: min(ratio, 1000), Places: 4})
		return g
	}
	g.Ratio, g.U, g.Accepted = ratio, expanded, true
	g.Differs = math.Abs(ratio-1) > expanded
	if !g.Differs {
		g.Sentence = analysis.Say("master.gain.one", analysis.Number{Value: ratio, Places: 4}, analysis.Number{Value: expanded, Places: 4})
		return g
	}
	g.Anchor, g.Certified, g.Shown = first.Mean, certified, shown
	g.Sentence = analysis.Say("master.gain", analysis.Number{Value: ratio, Places: 4}, analysis.Number{Value: expanded, Places: 4}, first.Ring.ID, second.Ring.ID)
	return g
}
