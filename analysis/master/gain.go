package master

import (
	"fmt"
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
	Differs  bool   `json:"differs"`
	Accepted bool   `json:"accepted"`
	Sentence string `json:"sentence"`
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
		g.Sentence = "No gain: both masterings must be accepted first."
		return g
	}
	certified, shown := second.Ring.Size-first.Ring.Size, second.Mean-first.Mean
	if certified == 0 || shown == 0 || (certified < 0) != (shown < 0) {
		g.Sentence = "No gain: the two rings don't show a distance in the direction of their sizes; wrong ring, or a sign?"
		return g
	}
	// Standard uncertainties: the rings' are half of their U.
	scatter := float64(max(s, first.Repeat, second.Repeat))
	u := math.Hypot(math.Hypot(float64(first.Ring.U), float64(second.Ring.U))/2, scatter*math.Sqrt(1/float64(first.N)+1/float64(second.N)))
	ratio := float64(certified) / float64(shown)
	expanded := 2 * u / math.Abs(float64(certified))
	switch {
	case expanded > MostGainU:
		g.Sentence = fmt.Sprintf("No gain: the rings are too close together to set it (known to %.1f %% only); use the second as a check.", 100*min(expanded, 10))
		return g
	case math.Abs(ratio-1) > MostGain:
		g.Sentence = fmt.Sprintf("No gain: %.4f is not one of a sound gauge; wrong ring, or its value or sign?", min(ratio, 1000))
		return g
	}
	g.Ratio, g.U, g.Accepted = ratio, expanded, true
	g.Differs = math.Abs(ratio-1) > expanded
	if !g.Differs {
		g.Sentence = fmt.Sprintf("The gain, %.4f ± %.4f, isn't shown to differ from 1, which is kept.", ratio, expanded)
		return g
	}
	g.Anchor, g.Certified, g.Shown = first.Mean, certified, shown
	g.Sentence = fmt.Sprintf("Gain %.4f ± %.4f, from rings %s and %s.", ratio, expanded, first.Ring.ID, second.Ring.ID)
	return g
}
