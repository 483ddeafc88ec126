package advise

import (
	"math"
	"slices"
	"time"

	"fairbore/analysis"
)

// SectionMean is the mean size of a section in a round.
type SectionMean struct {
	Depth analysis.Length `json:"depth_mm"`
	Mean  analysis.Length `json:"mean_mm"`
	N     int             `json:"n"` // number of readings
}

// Round is a spell of honing and the gauging after it.
type Round struct {
	Number  int     `json:"number"`
	Strokes int     `json:"strokes,omitempty"` // 0: not noted
	Seconds float64 `json:"seconds,omitempty"` // 0: not noted
	Dressed bool    `json:"dressed,omitempty"` // the stones were dressed or changed before the round
	// Light, Short and Ends tell how the round was advised. Light means at about half the pressure.
	// Short is how many of the last strokes or seconds were short strokes where the bore was tight.
	// Ends means that the short strokes were at both ends.
	Light    bool            `json:"light,omitempty"`
	Short    int             `json:"short,omitempty"`
	Ends     bool            `json:"ends,omitempty"`
	At       time.Time       `json:"at"`
	Sections []SectionMean   `json:"sections"` // in order of depth
	Smallest analysis.Length `json:"smallest_mm"`
	Largest  analysis.Length `json:"largest_mm"`
	Complete bool            `json:"complete"` // every place of the plan was gauged
}

// gain is what a round took off, µm on the diameter.
type gain struct {
	effort  float64 // strokes or seconds; 0: not noted
	worked  float64 // mean of the sections that were fully worked
	u       float64 // standard uncertainty of worked, from repeatability
	local   bool    // some sections were worked more than others
	dressed bool
	light   float64 // 1: at half the pressure
	short   float64 // share of the effort in short strokes
	ends    bool    // short strokes at both ends by turns
	paused  bool
	parts   []part
}

// part is the gain of one section.
type part struct {
	depth   analysis.Length
	gain, u float64
}

// A section was worked if its gain is above three standard uncertainties and above a fifth of the
// largest gain. The bottom of a blind bore, where the stone cuts a fifth less, still counts as worked.
const (
	workedSigmas = 3.0
	workedPart   = 0.2
)

// longPause is the pause after which a machine's rate is less certain (common practice: oil and stone
// are cold again).
const longPause = 45 * time.Minute

// gains works out what each round took off, for rounds that share a section with the round before.
// repeat is the repeatability of a value. common is the standard deviation of effects that move all
// sizes of a round together. Both are in µm. seconds selects seconds as the effort, not strokes.
func gains(rounds []Round, repeat, common float64, seconds bool) []gain {
	out := make([]gain, 0, len(rounds))
	for i := 1; i < len(rounds); i++ {
		before, after := &rounds[i-1], &rounds[i]
		g := gain{effort: effort(after, seconds), dressed: after.Dressed, ends: after.Ends}
		if after.Light {
			g.light = 1
		}
		if g.effort > 0 {
			g.short = min(max(float64(after.Short), 0)/g.effort, 1)
		}
		if !before.At.IsZero() && !after.At.IsZero() {
			g.paused = after.At.Sub(before.At) > longPause
		}
		g.bySection(before, after, repeat, common)
		if len(g.parts) > 0 {
			out = append(out, g)
		}
	}
	return out
}

func effort(r *Round, seconds bool) float64 {
	if !seconds {
		return float64(max(r.Strokes, 0))
	}
	if s := r.Seconds; s > 0 && s < 1e6 { // false for NaN too
		return s
	}
	return 0
}

// bySection works out the gains by section.
func (g *gain) bySection(before, after *Round, repeat, common float64) {
	most := math.Inf(-1)
	for _, s := range after.Sections {
		i := slices.IndexFunc(before.Sections, func(b SectionMean) bool { return b.Depth == s.Depth })
		if i < 0 || s.N <= 0 || before.Sections[i].N <= 0 {
			continue
		}
		b := before.Sections[i]
		u := repeat * math.Sqrt(1/float64(s.N)+1/float64(b.N))
		g.parts = append(g.parts, part{s.Depth, (s.Mean - b.Mean).Micrometres(), u})
		most = max(most, (s.Mean - b.Mean).Micrometres())
	}
	n := 0.0
	for _, p := range g.parts {
		if p.gain >= most-max(workedSigmas*p.u, workedPart*most) {
			g.worked, g.u, n = g.worked+p.gain, g.u+p.u*p.u, n+1
		}
	}
	if n > 0 {
		g.worked, g.u = g.worked/n, math.Sqrt(g.u/(n*n)+2*common*common)
	}
	g.local = int(n) < len(g.parts)
}

// tookNothing reports whether the round notes no effort and took nothing off that the gauge could
// show. The bore was then only gauged again.
func (g *gain) tookNothing() bool { return g.effort == 0 && math.Abs(g.worked) < 4*g.u }

// timed reports whether the rounds count seconds, not strokes. The newest round that notes either
// of them decides, or else the prior.
func timed(rounds []Round, prior *analysis.RatePrior) bool {
	for i := len(rounds) - 1; i > 0; i-- {
		if rounds[i].Strokes > 0 {
			return false
		}
		if effort(&rounds[i], true) > 0 {
			return true
		}
	}
	return prior != nil && prior.Seconds
}

// countGaugedAgain counts how often the bore was gauged again since it was last honed.
func countGaugedAgain(gains []gain) (n int) {
	for i := len(gains) - 1; i >= 0 && gains[i].tookNothing(); i-- {
		n++
	}
	return n
}
