package advise

import "math"

// normal is a normal distribution of a log-removal, with its weight in a mixture.
type normal struct{ weight, log, sd float64 }

// forecast is the distribution of the logarithm of what one stroke takes off in the next round, in
// µm. It is a mixture over the scatters and strays that are considered.
type forecast struct {
	parts       [2 * len(scatters) * len(strays)]normal
	log, spread float64 // mean; standard deviation without the strays
	above       [len(tailProbabilities)]float64
}

// byFeel returns the forecast of a removal with a single known spread.
func byFeel(sd float64) (f forecast) {
	f.parts[0] = normal{1, 0, sd}
	f.log, f.spread = 0, sd
	f.quantiles()
	return f
}

// moments works out the mean and the spread. It limits them, because larger values mean nothing and
// could make numbers overflow.
func (f *forecast) moments() {
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

// tail returns the probability that the logarithm exceeds x.
func (f *forecast) tail(x float64) (p float64) {
	for i := range f.parts {
		if n := &f.parts[i]; n.weight > 1e-6 {
			p += n.weight * math.Erfc((x-n.log)/(n.sd*math.Sqrt2)) / 2
		}
	}
	return p
}

// tailProbabilities lists the probabilities for which a plan needs quantiles of the forecast.
var tailProbabilities = [...]float64{maxRisk, maxPast, planRisk, landFar, landNear}

// Indices into tailProbabilities and into above.
const (
	pastRisk = iota
	pastMost
	pastPlan
	pastFar
	pastNear
)

// quantiles works out the quantiles above the mean: the distance from the mean that the logarithm
// exceeds with each of tailProbabilities.
func (f *forecast) quantiles() {
	for i, p := range tailProbabilities {
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

// risk returns the probability that n strokes take a place over a limit. The place gets the given
// share of the full rate, with the relative spread doubt. The limit lies room above a reading. The
// reading has the standard uncertainty u (normal).
func (f *forecast) risk(room, n, share, doubt, u float64) float64 {
	g := *f
	for i := range g.parts {
		c := &g.parts[i]
		c.log, c.sd = c.log+math.Log(n*share), math.Hypot(c.sd, doubt)
	}
	// The trapezoidal rule is accurate for a normal weight as long as its steps are small against the
	// scale on which the sum changes.
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
