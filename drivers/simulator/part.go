package simulator

import (
	"math"
	"math/rand/v2"
	"time"

	"fairbore/analysis"
)

// nodes is the number of points along a bore at which its size is kept. Between two points the size
// is interpolated.
const nodes = 65

// Part is a part whose bore is honed. Its size at a place is the mean size at the start, plus a
// profile along the depth and an oval, plus the material that honing has removed, plus the thermal
// growth. Noise belongs to the gauge, not to the part.
type Part struct {
	Length analysis.Length // depth from the datum face to the other end
	Start  analysis.Length // mean size at the start, at the temperature of the ring
	// Profile is the deviation from Start at increasing depths, at the start.
	Profile []Offset
	// Oval is the amplitude of the ovality, µm, and LongAxis the angle of its long axis, rad: the
	// size is larger by Oval·cos 2(angle-LongAxis). Honing removes the oval: it falls to 1/e for
	// each Rounding µm removed.
	Oval, LongAxis, Rounding float64
	// FreshRate is the rate of a fresh stone and GlazedRate that of a glazed stone, µm per stroke.
	// Their difference falls to 1/e over GlazeStrokes strokes.
	FreshRate, GlazedRate, GlazeStrokes float64
	// Blind is the length at the bottom of a blind hole that the stone does not fully reach; 0: a
	// through hole.
	Blind analysis.Length
	// Scatter is the relative standard deviation of the removal of a spell.
	Scatter float64
	// Expansion is the growth of the size per kelvin, µm. Warming is the warmth that a stroke adds,
	// K, and WarmMost is the largest warmth, K. Cooling is the time constant.
	Expansion, Warming, WarmMost float64
	Cooling                      time.Duration

	removed [nodes]float64 // removal at each node, µm on the diameter
	strokes float64        // number of strokes since the stone was dressed
	warm    float64        // K above the ring
}

// Offset is a deviation from the mean size at a depth.
type Offset struct {
	Depth analysis.Length
	Off   float64 // µm
}

// Spell says how a number of strokes works: at which stretch of the bore (To 0: the whole length),
// how much of the removal reaches the rest of the bore, and with what pressure.
type Spell struct {
	analysis.Stretch
	// Rest is the share of the removal that reaches the bore outside the stretch.
	Rest float64
	// Pressure multiplies the rate; 0 means 1.
	Pressure float64
}

// Size returns the present diameter at a place, at the present warmth of the part.
func (p *Part) Size(at analysis.Place) analysis.Length {
	x, angle := p.interpolate(at.Depth), at.Angle.Degrees()*math.Pi/180
	oval := p.Oval
	if p.Rounding > 0 {
		oval *= math.Exp(-x / p.Rounding)
	}
	return p.Start + length(p.profile(at.Depth)+x+oval*math.Cos(2*(angle-p.LongAxis))+p.warm*p.Expansion)
}

// Warmth returns how much warmer than the ring the part is, K.
func (p *Part) Warmth() float64 { return p.warm }

func (p *Part) profile(depth analysis.Length) float64 {
	all := p.Profile
	for i := range all {
		if depth <= all[i].Depth {
			if i == 0 {
				return all[0].Off
			}
			f := float64(depth-all[i-1].Depth) / float64(all[i].Depth-all[i-1].Depth)
			return all[i-1].Off + f*(all[i].Off-all[i-1].Off)
		}
	}
	if len(all) == 0 {
		return 0
	}
	return all[len(all)-1].Off
}

func (p *Part) interpolate(depth analysis.Length) float64 {
	x := float64(depth) / float64(max(p.Length, 1)) * (nodes - 1)
	i := int(min(max(x, 0), nodes-2))
	f := min(1, max(0, x-float64(i)))
	return p.removed[i]*(1-f) + p.removed[i+1]*f
}

// Hone hones a number of strokes: it removes material and warms the part. It returns the mean
// removal, µm on the diameter.
func (p *Part) Hone(strokes int, s Spell, rng *rand.Rand) float64 {
	if strokes <= 0 {
		return 0
	}
	total := 0.0
	for range strokes {
		total += p.GlazedRate + (p.FreshRate-p.GlazedRate)*math.Exp(-p.strokes/max(p.GlazeStrokes, 1))
		p.strokes++
	}
	if s.Pressure > 0 {
		total *= s.Pressure
	}
	total *= max(0, 1+p.Scatter*rng.NormFloat64())
	sum := 0.0
	for i := range p.removed {
		off := total * p.reach(i, s)
		p.removed[i] += off
		sum += off
	}
	p.warm = min(max(p.WarmMost, p.warm), p.warm+p.Warming*float64(strokes))
	return sum / nodes
}

// reach returns the share of a spell's removal that reaches a node.
func (p *Part) reach(i int, s Spell) float64 {
	depth := p.Length * analysis.Length(i) / (nodes - 1)
	part := 1.0
	if s.To > 0 && (depth < s.From || depth > s.To) {
		part = s.Rest
	}
	if left := p.Length - depth; left < p.Blind {
		part *= 0.8 + 0.2*float64(left)/float64(p.Blind)
	}
	return part
}

// Dress makes the stone cut as a fresh one.
func (p *Part) Dress() { p.strokes = 0 }

// Cool lets time pass: the warmth above the ring falls to 1/e in the time Cooling.
func (p *Part) Cool(dt time.Duration) {
	if p.Cooling <= 0 {
		p.warm = 0
		return
	}
	p.warm *= math.Exp(-dt.Seconds() / p.Cooling.Seconds())
}

// Part draws a part of the job, and the hand that hones it. The starting size, the rate of the
// stone, the errors of form and the evenness of the hand scatter about those of the part in the
// story (invented, as the jobs are).
func (j *Job) Part(rng *rand.Rand) (*Part, Hand) {
	p := j.StoryPart()
	p.Start += length(3 * rng.NormFloat64())
	rate := math.Exp(0.15 * rng.NormFloat64())
	p.FreshRate, p.GlazedRate = p.FreshRate*rate, p.GlazedRate*rate
	form := math.Exp(0.25 * rng.NormFloat64())
	for i := range p.Profile {
		p.Profile[i].Off *= form
	}
	p.Oval *= form
	return p, Hand{Scatter: between(rng, 0.10, 0.20), Rest: between(rng, 0.35, 0.65), Dwell: between(rng, 1, 1.2)}
}
