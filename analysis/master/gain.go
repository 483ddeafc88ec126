package master

import (
	"math"

	"fairbore/analysis"
)

// Gain is a correction from two rings.
type Gain struct {
	Correction `json:"correction"`
	// Ratio is certified over shown distance of the rings; U its expanded
	// uncertainty (k = 2) from both rings and the repeatability.
	Ratio float64 `json:"gain"`
	U     float64 `json:"gain_u"`
	// Differs says that the gain is shown to differ from 1; if not, 1 is kept,
	// since a correction smaller than its own uncertainty adds noise.
	Differs  bool            `json:"differs"`
	Accepted bool            `json:"accepted"`
	Sentence analysis.Phrase `json:"sentence"`
}

// Limits of a gain (common practice): a ratio beyond MostGain is no gain of a
// sound gauge, and one known no better than MostGainU can't set it.
const (
	MostGain  = 0.05
	MostGainU = 0.05
)

// SetGain works out zero and gain from masterings in two rings; the zero is
// exact at the first. s is the gauge's known repeatability, which counts if it
// is more than the masterings' own. A third look at a ring of a size between,
// by [CheckZero], proves the result.
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
	// Standard uncertainties: the rings' are half of their U.
	scatter := float64(max(s, first.Repeat, second.Repeat))
	u := math.Hypot(math.Hypot(float64(first.Ring.U), float64(second.Ring.U))/2, scatter*math.Sqrt(1/float64(first.N)+1/float64(second.N)))
	ratio := float64(certified) / float64(shown)
	expanded := 2 * u / math.Abs(float64(certified))
	switch {
	case expanded > MostGainU:
		g.Sentence = analysis.Say("master.gain.close", analysis.Number{Value: 100 * min(expanded, 10), Places: 1})
		return g
	case math.Abs(ratio-1) > MostGain:
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
