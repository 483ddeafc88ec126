package capture

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fairbore/analysis"
)

// The slope is the derivative of the logarithm of the chance (by central difference);
// the curvature, averaged over what the display may show, is the Fisher information:
// 1.806/(s·q) for a coarse step, the integral of φ²/Φ(1-Φ) over s·q.
func TestWithin(t *testing.T) {
	const q, s, h = 2.0, 0.1, 1e-6
	for rest := -1.4; rest <= 1.4; rest += 0.07 {
		_, slope, _ := within(rest, q, s)
		up, _, _ := within(rest-h, q, s)
		down, _, _ := within(rest+h, q, s)
		if want := (math.Log(up) - math.Log(down)) / (2 * h); math.Abs(slope-want) > 1e-3*max(1, math.Abs(want)) {
			t.Errorf("rest %g: slope %g, want %g", rest, slope, want)
		}
	}
	information := 0.0
	const n = 4000
	for i := range n {
		mean := (float64(i)+0.5)/n*q - q/2 // within the step about 0
		for step := -1.0; step <= 1; step++ {
			p, slope, _ := within(step*q-mean, q, s)
			if p > 0.02 { // the rest is the wild part
				information += p * slope * slope / n
			}
		}
	}
	if want := 1.806 / (s * q); math.Abs(information/want-1) > 0.1 { // a hundredth part counts as wild
		t.Errorf("a value tells %g, want %g", information, want)
	}
}

// Mean and variance of a normal density are exact however it is placed, those of a box between
// the points to a tenth of a step (theory: its mean, and its width squared over twelve).
func TestMoments(t *testing.T) {
	var logs [9]float64
	for _, at := range []float64{3.7, 4, 4.4} {
		for i := range logs {
			logs[i] = -sq(float64(i)-at) / (2 * sq(perDeviation))
		}
		if mean, variance := moments(logs[:]); math.Abs(mean-at) > 0.01 || math.Abs(math.Sqrt(variance)-perDeviation) > 0.01 {
			t.Errorf("normal at %g: %g, %g", at, mean, variance)
		}
	}
	for i := range logs {
		logs[i] = -50
		if i >= 2 && i <= 6 {
			logs[i] = 0
		}
	}
	if mean, variance := moments(logs[:]); math.Abs(mean-4) > 1e-9 || math.Abs(variance-sq(4.5)/12) > 0.2 {
		t.Errorf("box: %g, %g", mean, variance)
	}
}

// Beyond two and beyond three standard deviations of a normal density lie 0.0455 and 0.0027 (tables of
// the normal distribution); of a box nothing lies beyond its half width.
func TestTails(t *testing.T) {
	var logs [15]float64
	for i := range logs {
		logs[i] = -sq(float64(i)-7.2) / (2 * sq(perDeviation))
	}
	for _, x := range []struct{ deviations, want float64 }{{2, 0.0455}, {3, 0.0027}} {
		if got := tails(logs[:], 7.2, x.deviations*perDeviation); math.Abs(got/x.want-1) > 0.2 {
			t.Errorf("beyond %g standard deviations: %g, want %g", x.deviations, got, x.want)
		}
	}
	box := []float64{-1e3, 0, 0, 0, 0, -1e3}
	if got := tails(box, 2.5, 1.7); got > 1e-9 {
		t.Errorf("beyond a box: %g", got)
	}
	if got := tails(box, 2.5, 0.75); math.Abs(got-0.5) > 0.1 {
		t.Errorf("beyond the middle half of a box: %g", got)
	}
}

// coarseTurning is a gauge with contacts of 2 mm radius.
func coarseTurning(t *testing.T, o Options) *turning {
	o.Mode, o.Tip = Turning, 2*analysis.Millimetre
	if err := o.check(); err != nil {
		t.Fatal(err)
	}
	o.fill()
	return newTurning(o)
}

// play shows a visit of twenty seconds to a gauge with noise of s µm in a bore that is off µm above nominal:
// 20 values a second of its tilt by the time, where it is in the bore. It tells what is taken, and how
// far off, µm.
func play(c *turning, off, s float64, tilt func(at float64) (tilt float64, in bool), rng *rand.Rand, taken func(r Result, e float64)) {
	span, step := (c.o.Nominal - 2*c.o.Tip).Micrometres(), c.o.step()
	for i := range 400 {
		at := float64(i) / 20
		v := off + 600
		if tilt, in := tilt(at); in {
			v = off + span*(1/math.Cos(tilt)-1) + s*rng.NormFloat64()
		}
		shown := analysis.Length(math.Round(v/step) * step * float64(analysis.Micrometre))
		for _, r := range c.Feed(Sample{At: time.Duration(at * 1e9), Value: c.o.Nominal + shown}) {
			if r.Kind == Taken {
				taken(r, (r.Value-c.o.Nominal).Micrometres()-off)
			}
		}
	}
}

// On a display far coarser than the noise the samples near the edges of a step
// tell the size better than least squares make of them; where U is large, amid a step, little better.
func TestIntervalsBeatLeastSquares(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 1))
	var intervals, squares float64
	const tries = 200
	taken := 0
	rock := func(at float64) (float64, bool) { // five passes, a second each, at ±3°
		return 3 * degree * math.Cos(math.Pi*(at-0.5)), at > 0.5 && at < 6
	}
	for range tries {
		c := coarseTurning(t, Options{Nominal: fuzzNominal, Repeatability: 500, Resolution: 2 * micrometre})
		off := (rng.Float64() - 0.5) * 2
		play(c, off, 0.05, rock, rng, func(r Result, e float64) {
			if r.U > 3600 {
				return
			}
			taken++
			intervals += sq(e)
			squares += sq(c.rock.plain.size - off)
		})
	}
	if taken < tries*9/10 {
		t.Fatalf("%d of %d taken", taken, tries)
	}
	t.Logf("error, root mean square: %.3f µm by intervals, %.3f by least squares", math.Sqrt(intervals/float64(taken)), math.Sqrt(squares/float64(taken)))
	if intervals > 0.75*squares {
		t.Errorf("mean square error %.4f µm² by intervals, %.4f by least squares: want three quarters at most", intervals/float64(taken), squares/float64(taken))
	}
}

// The cost without the normal equations is that with them.
func TestHeight(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 1))
	c := coarseTurning(t, Options{Nominal: fuzzNominal, Repeatability: 500, Resolution: 2 * micrometre})
	rock := func(at float64) (float64, bool) { return 3 * degree * math.Cos(math.Pi*(at-0.5)), at > 0.5 && at < 6 }
	taken := 0
	play(c, 0.3, 0.05, rock, rng, func(Result, float64) { taken++ })
	if taken != 1 {
		t.Fatalf("%d taken", taken)
	}
	k := &c.rock
	for range 100 {
		was := k.p
		for i := range k.params() {
			k.p[i] += 0.3 * rng.NormFloat64() * math.Abs(k.se[i])
		}
		k.p[pSize] += rng.NormFloat64()
		k.place()
		if got, want := k.height(), k.edges(false); math.Abs(got-want) > 1e-9*want {
			t.Errorf("cost %.12g, %.12g with the normal equations", got, want)
		}
		k.p = was
	}
}
