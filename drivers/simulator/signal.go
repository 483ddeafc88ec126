// Package simulator models a bore, a gauge and an operator. It makes the values and the bytes that
// a real session would give, and also the truth behind them. So the rest of the program can be
// tried, shown and scored without a machine.
//
// The package has no side effects and is seeded: the same generator gives the same bytes. Inside
// the model, tilts are in radians and times are seconds as float64. Outside, times are
// time.Duration. The comment of each part of the model says what the part holds and what it leaves
// out. The parts are: a two-point gauge rocked in the axial plane ([Path], [GaugeModel.Excess]) by
// hands of many families ([Rocking]); a contact or air gauge that comes to rest; a hand that
// trembles and pushes askew; a stream that drops, repeats and stalls ([Fault]).
package simulator

import (
	"math"
	"math/rand/v2"
	"time"

	"fairbore/analysis"
)

const degree = math.Pi / 180

// Contact is how a gauge touches the bore.
type Contact uint8

// The contacts.
const (
	TwoPoint   Contact = iota // is rocked; the size is the value at which it turns
	ThreePoint                // centres itself and comes to rest
	Air                       // like ThreePoint, but slower
)

// GaugeModel is a model of an instrument.
type GaugeModel struct {
	ID      string
	Contact Contact
	Tip     analysis.Length // radius of the contacts
	Free    analysis.Length // how much more than the size of the bore it shows in free air
	Rate    float64         // values per second; 0: only at the press of a button
	Noise   float64         // standard deviation of a value, µm
	Step    analysis.Length // step of the display
	Unit    analysis.Unit   // unit of the display
	Places  int             // number of decimal places sent
	Settle  float64         // time constant of coming to rest, s
	// Average is the time that a value is averaged over. Lag is the time constant of the gauge's
	// filter, s. Both are used only for a [Rocking].
	Average, Lag float64
}

// Excess returns how much more than the size of the bore a two-point gauge shows when it is tilted
// in the axial plane, µm. It is (D-2r)(sec t - 1) for spherical contacts of radius r (geometry).
func (g *GaugeModel) Excess(size analysis.Length, tilt float64) float64 {
	return (size - 2*g.Tip).Micrometres() * (1/math.Cos(tilt) - 1)
}

// Chord returns what a two-point gauge adds to the size of the bore when it gauges at a distance
// off from the axis, µm. It is below 0: twice √((R-r)²-h²) less twice (R-r), where h is off
// (geometry).
func (g *GaugeModel) Chord(size analysis.Length, off float64) float64 {
	d := (size - 2*g.Tip).Micrometres()
	return math.Sqrt(d*d-4*off*off) - d
}

// Show rounds a length to the steps of the display.
func (g *GaugeModel) Show(v analysis.Length) analysis.Length {
	step := max(g.Step, 1)
	return analysis.Length(math.Round(float64(v)/float64(step))) * step
}

// length rounds µm to a length.
func length(um float64) analysis.Length {
	return analysis.Length(math.Round(um * float64(analysis.Micrometre)))
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

// Key is a value at which a motion turns, and the time when it turns. It also says how the swing
// that leads to it differs from half a cosine.
type Key struct {
	T float64 // s
	V float64 // rad or µm
	// Dwell is how much slower the hand is at the ends of the swing (above 0) or in its middle (below 0).
	// Skew is how much more slowly it starts than it ends. |Dwell| + |Skew| < 1.
	Dwell, Skew float64
}

// Path is a motion of the hand: swings between keys, with a tremor added.
type Path struct {
	Keys   []Key
	tremor [3]sine
}

type sine struct{ amplitude, omega, phase float64 }

func (s sine) at(t float64) float64 { return s.amplitude * math.Sin(s.omega*t+s.phase) }

// At returns the motion at a time. Before the first key and after the last the hand holds still.
func (p *Path) At(t float64) float64 {
	v := p.Smooth(t)
	for _, s := range p.tremor {
		v += s.at(t)
	}
	return v
}

// Smooth returns the motion without the tremor.
func (p *Path) Smooth(t float64) float64 {
	k := p.Keys
	i := 0
	for i < len(k) && k[i].T <= t {
		i++
	}
	switch {
	case len(k) == 0:
		return 0
	case i == 0:
		return k[0].V
	case i == len(k):
		return k[i-1].V
	}
	a, b := k[i-1], k[i]
	x := (t - a.T) / (b.T - a.T)
	sin, cos := math.Sincos(2 * math.Pi * x)
	x -= (b.Dwell*sin + b.Skew*(1-cos)) / (2 * math.Pi)
	return a.V + (b.V-a.V)*(1-math.Cos(math.Pi*x))/2
}

// to appends a key after a time.
func (p *Path) to(after, v float64) {
	p.Keys = append(p.Keys, Key{T: p.end() + after, V: v})
}

// end returns the time of the last key.
func (p *Path) end() float64 { return p.Keys[len(p.Keys)-1].T }

// shake adds a tremor with a root mean square in rad, at 6 to 12 Hz. The tremor of a healthy hand
// lies in this range (common practice).
func (p *Path) shake(rms float64, rng *rand.Rand) {
	for i := range p.tremor {
		p.tremor[i] = sine{rms * math.Sqrt(2.0/3), 2 * math.Pi * between(rng, 6, 12), between(rng, 0, 2*math.Pi)}
	}
}

// Crossings returns the times at which the smooth path passes through square
// from t0 to t1, s.
func (p *Path) Crossings(t0, t1 float64) []float64 {
	var out []float64
	for i := 1; i < len(p.Keys); i++ {
		a, b := p.Keys[i-1], p.Keys[i]
		if a.T < t0 || b.T > t1 || a.V*b.V >= 0 {
			continue
		}
		lo, hi := a.T, b.T
		for range 50 {
			if mid := (lo + hi) / 2; p.Smooth(mid)*a.V > 0 {
				lo = mid
			} else {
				hi = mid
			}
		}
		out = append(out, (lo+hi)/2)
	}
	return out
}

func between(rng *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }

func pick[T any](rng *rand.Rand, of ...T) T { return of[rng.IntN(len(of))] }
