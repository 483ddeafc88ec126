package settle

import (
	"math"
	"math/rand/v2"
	"testing"
)

// run is a window of values at 20 a second over so many seconds, with noise sd (µm).
func run(span, sd float64, seed uint64, way func(t float64) float64) (w window) {
	rng := rand.New(rand.NewPCG(71, seed))
	for t := 0.0; t <= span+1e-9; t += 0.05 {
		w.push(sample{t, way(t) + sd*rng.NormFloat64()}, 100, 10)
	}
	return w
}

// evidence is how likely parts with variances v·s, s of a scaled inverse chi-square distribution with as many
// degrees of freedom as are noiseFreedom, are for a shape of unknown amplitude and a level of which nothing is known;
// and the mean square of the amplitude: by sums over a grid of amplitude and s.
func evidence(y, x []float64, v, sd float64) (weight, square float64) {
	n := float64(len(y))
	var mx float64
	for _, xi := range x {
		mx += xi / n
	}
	for i := -600; i <= 600; i++ {
		b := sd * float64(i) / 60
		left := 0.0
		for j := range y {
			d := y[j] - b*(x[j]-mx)
			left += d * d / v
		}
		for k := -300; k <= 300; k++ {
			s := math.Exp(float64(k) / 60) // steps of equal ratio: ds = s/60
			p := math.Pow(s, -noiseFreedom/2.0-1) * math.Exp(-noiseFreedom/(2*s)) * math.Pow(s, -(n-1)/2) * math.Exp(-left/(2*s)) *
				math.Exp(-b*b/(2*sd*sd*s)) / (sd * math.Sqrt(s)) * s
			weight, square = weight+p*sd, square+p*sd*b*b
		}
	}
	return weight, square / weight
}

// The weights of two models, and what they leave of the way, are those of the integrals that define them.
func TestModelsWeighAsTheIntegrals(t *testing.T) {
	w := run(2.4, 0.15, 1, func(t float64) float64 { return 0.5 * math.Exp(-t/1.5) })
	m := models{inRun: 0.7, over: 0.8, limit: 0.2, v: 0.008, top: math.Inf(-1)}
	m.means(&w)
	for i := range m.n {
		m.yy += m.y[i] * m.y[i] / m.v
	}
	none := shape{}
	var got, want [2]float64
	for i, T := range []float64{0.5, 4} {
		s := m.exponential(T)
		alone := m
		alone.top, alone.sum, alone.square = math.Inf(-1), 0, 0
		got[i] = alone.fit(1, &s, &none)
		weight, square := evidence(m.y[:m.n], s.x[:m.n], m.v, s.sd)
		want[i] = math.Log(weight)
		if rest := alone.square / alone.sum; math.Abs(rest/(s.offset*s.offset*square)-1) > 0.01 {
			t.Errorf("T = %g s: mean square of the way left %g, want %g", T, rest, s.offset*s.offset*square)
		}
	}
	if d := (got[0] - got[1]) - (want[0] - want[1]); math.Abs(d) > 0.01 {
		t.Errorf("logarithm of the ratio of two weights %.4f, want %.4f", got[0]-got[1], want[0]-want[1])
	}
}

// What is left of the way of each kind is found, where the run tells it.
func TestProspect(t *testing.T) {
	o := Options{Settle: 0.6, Slope: 0.2, Range: 1.5} // which leaves the gauge a time constant of 0.5 s
	mean := func(way func(float64) float64) (m float64) {
		for i := range 80 {
			m += way(2.2+float64(i)/100) / 80
		}
		return m
	}
	for name, tc := range map[string]struct {
		way   func(t float64) float64
		low   float64 // what is found of the way left, µm, at least and at most
		high  float64
		moves bool
	}{
		"level":       {func(t float64) float64 { return 0 }, 0, 0.06, false},
		"gauge":       {func(t float64) float64 { return 1.2 * math.Exp(-t/0.3) }, 0, 0.2, false},
		"1 s":         {func(t float64) float64 { return 1.3 * math.Exp(-t) }, 0.05, 1.3, false},
		"4 s":         {func(t float64) float64 { return 2.5 * math.Exp(-t/4) }, 0.9, 2.6, true},
		"steady":      {func(t float64) float64 { return 0.4 * t }, 1, 3, true},
		"film":        {func(t float64) float64 { return 0.8 / math.Sqrt(t+0.1) }, 0.2, 0.8, false},
		"small sway":  {func(t float64) float64 { return 0.1 * math.Sin(4*t) }, 0, 0.3, false},
		"large swing": {func(t float64) float64 { return -3 * math.Cos(2*math.Pi*0.1*(t-1.5)) }, 1, 4, false},
	} {
		for seed := range uint64(20) {
			f := Finder{o: o, run: run(3, 0.1, seed, tc.way), noise: 0.1, seen: 0.1}
			left, moves := f.weighModels(0.8, false)
			if left < tc.low || left > tc.high || tc.moves != (moves > 0.5) {
				t.Errorf("%s, seed %d: %.2f µm left, moves with a chance of %.2f; %.2f is left", name, seed, left, moves, mean(tc.way))
			}
		}
	}
}

// Noise is that known until the values scatter more, and a slow way is none.
func TestWindowNoise(t *testing.T) {
	var sum float64
	for seed := range uint64(100) {
		w := run(2, 0.5, seed, func(t float64) float64 { return 2 * math.Exp(-t/0.5) })
		sum += w.noise(0.15) / 100
	}
	if sum < 0.46 || sum > 0.54 {
		t.Errorf("noise of 0.5 µm is seen as %.3f", sum)
	}
	more := 0
	for seed := range uint64(200) {
		w := run(2, 0.15, seed, func(t float64) float64 { return 0.3 * t })
		if w.noise(0.15) != 0.15 {
			more++
		}
	}
	if more > 20 {
		t.Errorf("noise as known is seen as more %d times of 200", more)
	}
}
