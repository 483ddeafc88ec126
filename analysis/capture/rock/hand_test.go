package rock_test

import (
	"math"
	"math/rand/v2"

	"fairbore/analysis/capture/rock"
)

// A hand is made here from the geometry alone: legs from tilt to tilt, one after the other. A
// gauge shows size + k·(sec θ − 1), averaged and late as it is, with noise, at a rate.
type hand struct {
	legs []leg
}

type leg struct {
	from, to float64 // degrees
	time     float64 // s
	way      func(float64) float64
	up       float64 // the bore is wider by so much here, µm
}

const (
	scale = 21e3 // µm: a bore of 25 mm, contacts of 2 mm radius
	size  = 12.3 // µm from nominal
)

func sine(x float64) float64      { return (1 - math.Cos(math.Pi*x)) / 2 }
func leastJerk(x float64) float64 { return x * x * x * (10 - x*(15-6*x)) }

// even goes at even speed but for a tenth of the time at either end.
func even(x float64) float64 {
	const r = 0.1
	v := 1 / (1 - r)
	switch {
	case x < r:
		return v * x * x / (2 * r)
	case x > 1-r:
		return 1 - v*(1-x)*(1-x)/(2*r)
	}
	return v * (x - r/2)
}

func still(float64) float64 { return 0 }

var ways = []struct {
	name string
	way  func(float64) float64
	rest float64 // s at each end
}{{"sine", sine, 0}, {"least jerk", leastJerk, 0}, {"rests", leastJerk, 0.25}, {"even", even, 0.1}}

// plan is how a hand rocks.
type plan struct {
	passes  int
	tilt    float64 // degrees
	time    float64 // s a swing
	way     func(float64) float64
	rest    float64 // s at each end
	scatter float64 // relative, of tilts and times
	speed   func(n int) float64
	up      func(n int) float64 // µm by which the bore is wider at pass n
	inset   func(n int) float64 // degrees that pass n ends at before square; 0: it goes through
}

// rocked returns a hand that comes in, rests at a tilt, rocks and rests.
func (p plan) rocked(rng *rand.Rand) (h hand) {
	about := func(x float64) float64 { return x * (1 + p.scatter*rng.NormFloat64()) }
	at, side := -about(p.tilt), 1.0
	h.rest(at, 0.7+0.3*rng.Float64())
	for n := range p.passes {
		to, time := side*about(p.tilt), about(p.time)
		if p.speed != nil {
			time /= p.speed(n)
		}
		if p.inset != nil {
			h.swing(at, -p.inset(n), time, p.way)
			h.swing(-p.inset(n), -about(p.tilt), time, p.way)
			at = h.end()
			continue
		}
		h.swing(at, to, time, p.way)
		if p.up != nil {
			h.legs[len(h.legs)-1].up = p.up(n)
		}
		if p.rest > 0 {
			h.rest(to, about(p.rest))
		}
		at, side = to, -side
	}
	h.rest(at, 2.5)
	return h
}

func (h *hand) swing(from, to, time float64, way func(float64) float64) {
	h.legs = append(h.legs, leg{from: from, to: to, time: time, way: way})
}

func (h *hand) rest(at, time float64) { h.swing(at, at, time, still) }

func (h *hand) end() float64 { return h.legs[len(h.legs)-1].to }

// gauge is what shows it.
type gauge struct {
	rate, sd, step float64 // 1/s, µm, µm
	tick           float64 // of the time stamps, s
	mean, lag      float64 // s
}

// samples are t and v of what the gauge shows of the hand.
func (g gauge) samples(h hand, rng *rand.Rand) (out [][2]float64) {
	const fine = 0.002 // s
	var shown []float64
	for _, l := range h.legs {
		for t := 0.0; t < l.time; t += fine {
			tilt := (l.from + (l.to-l.from)*l.way(t/l.time)) * math.Pi / 180
			shown = append(shown, size+l.up+scale*(1/math.Cos(tilt)-1))
		}
	}
	if g.lag > 0 { // dv/dt = (shown − v)/lag
		v := shown[0]
		for i, x := range shown {
			v += (x - v) * -math.Expm1(-fine/g.lag)
			shown[i] = v
		}
	}
	sums := make([]float64, len(shown)+1)
	for i, x := range shown {
		sums[i+1] = sums[i] + x
	}
	width := max(1, int(math.Round(g.mean/fine)))
	for t := g.mean + rng.Float64()/g.rate; ; t += 1 / g.rate {
		i := int(t / fine)
		if i >= len(shown) {
			return out
		}
		v := (sums[i+1]-sums[i+1-width])/float64(width) + g.sd*rng.NormFloat64()
		if g.step > 0 {
			v = math.Round(v/g.step) * g.step
		}
		at := t
		if g.tick > 0 {
			at = math.Ceil(t/g.tick) * g.tick
		}
		out = append(out, [2]float64{at, v})
	}
}

func (g gauge) options() rock.Options {
	return rock.Options{Sigma: math.Hypot(g.sd, g.step/math.Sqrt(12)), Step: g.step, Scale: scale, MinPasses: 3}
}

// read gives the samples to a rock until it reads, or until the gauge leaves.
func read(r *rock.Finder, samples [][2]float64) (rock.Reading, bool) {
	for _, s := range samples {
		if x, ok := r.Add(s[0], s[1]); ok {
			return x, true
		}
	}
	return r.Leave()
}
