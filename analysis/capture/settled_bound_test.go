package capture_test

import (
	"math"
	"slices"
	"time"

	"fairbore/drivers/simulator"
)

// chance is how probably the best guess of the size is off by more than limit (µm),
// for one who knows of a gauge at rest when it had come home and when it left, its noise
// and how far the hand sways. The posterior of the size is summed on a grid, each sample
// as the interval that its display tells; the sway counts as noise that is new in each
// sample, which is kind, and wild samples are known to be.
func chance(p simulator.Params, points []simulator.Point, tr simulator.Truth, pl simulator.TruePlace, limit float64) float64 {
	const fine, reach = 0.04, 100 // µm; grid points on either side
	step := p.Gauge.Step.Micrometres()
	noise := math.Hypot(p.Gauge.Noise, p.Wobble/4) // of two sines of a quarter each
	if step < 1 {                                  // dithered by the noise or finer than what is asked for
		return 0
	}
	home := tr.In + time.Duration(p.Gauge.Settle*math.Log(math.Abs(p.From)/0.05)*1e9)
	var log [2*reach + 1]float64
	for _, q := range points {
		if q.T < max(pl.From, home) || q.T >= pl.To {
			continue
		}
		off := (q.Value - pl.SeenAt(q.T)).Micrometres()
		if math.Abs(off) > step/2+5*noise {
			continue
		}
		for i := range log {
			d := off - fine*float64(i-reach)
			log[i] += math.Log(normal((d+step/2)/noise) - normal((d-step/2)/noise) + 1e-12)
		}
	}
	top, sum, best := slices.Max(log[:]), 0.0, 0.0
	for i := range log {
		log[i] = math.Exp(log[i] - top)
		sum += log[i]
	}
	wide := int(math.Round(2 * limit / fine))
	for i := range log {
		within := 0.0
		for _, w := range log[i:min(i+wide+1, len(log))] {
			within += w
		}
		best = max(best, within)
	}
	return 1 - best/sum
}

func normal(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// unavoidable is how many of the readings with these chances of being off must be left,
// for the others to be off in no more than 1 in 10,000 visits together.
func unavoidable(chances []float64, visits int) int {
	slices.Sort(chances)
	budget := float64(visits) / 10_000
	for i, c := range chances {
		if budget -= c; budget < 0 {
			return len(chances) - i
		}
	}
	return 0
}
