package advise

import "math"

// normal is a normal distribution of a log-removal, and its probability.
type normal struct{ weight, log, sd float64 }

// forecast is the distribution of the logarithm of what a stroke takes off in the
// next round, µm: a mixture over the scatters that are held possible.
type forecast struct {
	parts       [2 * len(scatters) * len(strays)]normal
	log, spread float64 // mean; standard deviation but for the strays
	above       [len(past)]float64
}

// felt is the forecast of a removal of one known spread.
func felt(sd float64) (f forecast) {
	f.parts[0] = normal{1, 0, sd}
	f.log, f.spread = 0, sd
	f.find()
	return f
}

// sum fills mean and spread in. Beyond the bounds the figures say nothing, and no
// number may overflow.
func (f *forecast) sum() {
	for i := range f.parts {
		n := &f.parts[i]
		n.log, n.sd = min(max(n.log, -12), 8), min(n.sd, 2)
		f.log += n.weight * n.log
	}
	w := 0.0
	for i := 0; i < len(f.parts); i += 2 {
		n := &f.parts[i]
		d := n.log - f.log
		f.spread, w = f.spread+n.weight*(n.sd*n.sd+d*d), w+n.weight
	}
	f.spread = min(math.Sqrt(f.spread/w), 2)
}

// tail is the probability that the logarithm exceeds x.
func (f *forecast) tail(x float64) (p float64) {
	for i := range f.parts {
		if n := &f.parts[i]; n.weight > 1e-6 {
			p += n.weight * math.Erfc((x-n.log)/(n.sd*math.Sqrt2)) / 2
		}
	}
	return p
}

// past are the probabilities that a plan asks the forecast for.
var past = [...]float64{mostRisk, mostPast, planRisk, landFar, landNear}

// The places in past.
const (
	pastRisk = iota
	pastMost
	pastPlan
	pastFar
	pastNear
)

// find fills in how far above its mean the logarithm lies with the probabilities.
func (f *forecast) find() {
	for i, p := range past {
		low, high := 0.0, 8.0
		for high-low > 4e-3 {
			if mid := (low + high) / 2; f.tail(f.log+mid) > p {
				low = mid
			} else {
				high = mid
			}
		}
		f.above[i] = high
	}
}

// risk is the probability that n strokes, of which a place gets the given share with
// a relative spread of doubt, take it over a limit that is room above a reading
// of standard uncertainty u (normal).
func (f *forecast) risk(room, n, share, doubt, u float64) float64 {
	g := *f
	for i := range g.parts {
		c := &g.parts[i]
		c.log, c.sd = c.log+math.Log(n*share), math.Hypot(c.sd, doubt)
	}
	// Trapezia, which are exact for a normal weight as long as they are no wider than
	// what is summed takes to change.
	step := 0.5
	if u > 0 {
		step = min(max(math.Exp(f.log)*n*share*f.spread/u, 0.1), step)
	}
	sum, weight := 0.0, 0.0
	for z := -5.0; z <= 5; z += step {
		w, p := math.Exp(-z*z/2), 1.0
		if left := room - z*u; left > 0 {
			p = g.tail(math.Log(left))
		}
		sum, weight = sum+w*p, weight+w
	}
	return sum / weight
}
