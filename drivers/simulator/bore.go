package simulator

import (
	"math"
	"math/rand/v2"
	"time"
)

// nodes along a bore at which its size is kept; between them it is interpolated.
const nodes = 65

// Bore is a bore in work: its size at a place is the size at the start, with a
// profile along the depth and an oval, and what honing has taken off since,
// grown by its warmth. Noise is the gauge's business, not the bore's.
type Bore struct {
	Length int64 // depth from the datum face to the other end
	Start  int64 // mean size at the start, at the temperature of the ring
	// Profile is the departure from Start at depths in rising order, at the start.
	Profile []Point2
	// Oval is the amplitude of the ovality, µm, and Lie the angle of its long
	// axis, rad: the size is larger by Oval·cos 2(angle-Lie). It wears out with
	// Rounding: to 1/e for each Rounding µm taken off.
	Oval, Lie, Rounding float64
	// Fast, Slow and Glaze are the rate of a fresh stone and of a glazed one,
	// µm a stroke, and the strokes in which the difference falls to 1/e.
	Fast, Slow, Glaze float64
	// Blind is the depth over which the stone does not reach the bottom fully, 0: a through hole.
	Blind int64
	// Scatter is the relative standard deviation of a spell's removal.
	Scatter float64
	// Expansion is the growth of the size by a kelvin, µm; Warming the kelvins a
	// stroke brings, WarmMost the most; Cooling the time constant.
	Expansion, Warming, WarmMost float64
	Cooling                      time.Duration

	removed [nodes]float64 // µm off the diameter
	strokes float64        // since the stone was dressed
	warm    float64        // K above the ring
}

// Point2 is a departure at a depth.
type Point2 struct {
	Depth int64
	Off   float64 // µm
}

// Spell is where a spell of honing works: the strokes from one depth to
// another, and how evenly over the rest.
type Spell struct {
	From, To int64 // To 0: the whole length
	// Rest is the part of the removal that the bore outside From to To sees.
	Rest float64
	// Pressure multiplies the rate; 0: 1.
	Pressure float64
}

// Size returns the diameter at a depth and an angle (rad) as it is now, warm.
func (b *Bore) Size(depth int64, angle float64) int64 {
	x := b.interpolate(depth)
	oval := b.Oval
	if b.Rounding > 0 {
		oval *= math.Exp(-x / b.Rounding)
	}
	return b.Start + units(b.profile(depth)+x+oval*math.Cos(2*(angle-b.Lie))+b.warm*b.Expansion)
}

// Warmth is how much warmer than the ring the part is, K.
func (b *Bore) Warmth() float64 { return b.warm }

func (b *Bore) profile(depth int64) float64 {
	p := b.Profile
	for i := range p {
		if depth <= p[i].Depth {
			if i == 0 {
				return p[0].Off
			}
			f := float64(depth-p[i-1].Depth) / float64(p[i].Depth-p[i-1].Depth)
			return p[i-1].Off + f*(p[i].Off-p[i-1].Off)
		}
	}
	if len(p) == 0 {
		return 0
	}
	return p[len(p)-1].Off
}

func (b *Bore) interpolate(depth int64) float64 {
	x := float64(depth) / float64(max(b.Length, 1)) * (nodes - 1)
	i := int(min(max(x, 0), nodes-2))
	f := min(1, max(0, x-float64(i)))
	return b.removed[i]*(1-f) + b.removed[i+1]*f
}

// Hone takes off what a number of strokes take off, and warms the part. It
// returns the mean removal, µm on the diameter.
func (b *Bore) Hone(strokes int, s Spell, rng *rand.Rand) float64 {
	if strokes <= 0 {
		return 0
	}
	total := 0.0
	for range strokes {
		total += b.Slow + (b.Fast-b.Slow)*math.Exp(-b.strokes/max(b.Glaze, 1))
		b.strokes++
	}
	if s.Pressure > 0 {
		total *= s.Pressure
	}
	total *= max(0, 1+b.Scatter*rng.NormFloat64())
	sum := 0.0
	for i := range b.removed {
		off := total * b.reach(i, s)
		b.removed[i] += off
		sum += off
	}
	b.warm = min(max(b.WarmMost, b.warm), b.warm+b.Warming*float64(strokes))
	return sum / nodes
}

// reach is the part of a spell's removal that comes to a node.
func (b *Bore) reach(i int, s Spell) float64 {
	depth := b.Length * int64(i) / (nodes - 1)
	part := 1.0
	if s.To > 0 && (depth < s.From || depth > s.To) {
		part = s.Rest
	}
	if left := b.Length - depth; left < b.Blind {
		part *= 0.8 + 0.2*float64(left)/float64(b.Blind)
	}
	return part
}

// Dress makes the stone cut as a fresh one.
func (b *Bore) Dress() { b.strokes = 0 }

// Cool lets time pass: the warmth above the ring falls to 1/e in Cooling.
func (b *Bore) Cool(dt time.Duration) {
	if b.Cooling <= 0 {
		b.warm = 0
		return
	}
	b.warm *= math.Exp(-dt.Seconds() / b.Cooling.Seconds())
}
